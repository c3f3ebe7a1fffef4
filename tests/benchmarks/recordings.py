"""How fast recordings are read, and how much memory that takes beside the table itself.

Run it alone: ``python tests/benchmarks/recordings.py [ROWS]``, 10 000 000 rows
if not said otherwise (2.8 h at 1 kHz, 400 MB a file, in the temporary folder).
Each file is read by a process of its own, since a peak never falls again; the
seconds are the processor's. The last column is what reading takes beyond the
table, in columns of it: the bound that reading keeps to.
"""

import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

NAMES = ("t_us", "hall_counts", "deadman", "mode_button", "kill_cord", "bus_v", "pack_a", "left_pulse_us")
ROWS = 10_000_000
BLOCK = 100_000
# What the reader is asked for: a process of its own, so that the peak is its own.
READ = """
import resource, sys, time
from pathlib import Path
from sim.record.reading import read_any

def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

read_any(Path(sys.argv[2]))
before_mb, begun = peak_mb(), time.process_time()
recording = read_any(Path(sys.argv[1]))
took_s = time.process_time() - begun
print(len(recording.table), len(recording.table.names) + 1, took_s, before_mb, peak_mb(), len(recording.mended))
"""


def rows(first: int, count: int) -> Iterator[list[str]]:
    """Rows of a ride, every millisecond with a few microseconds of jitter."""
    for row in range(first, first + count):
        wave = (row * 7919) % 1000
        stamp = str(1000 * row + wave % 40)
        yield [stamp, str(580 + wave), "1", "0", "1", f"{50 + wave / 500:.3f}", f"{wave / 10:.2f}", str(1000 + wave)]


def plain(cells: list[str], row: int) -> str:
    """Comma, point, nothing wrong."""
    return ",".join(cells)


def decimal_comma(cells: list[str], row: int) -> str:
    """Semicolon and decimal comma."""
    return ";".join(cells).replace(".", ",")


def odd_cells(cells: list[str], row: int) -> str:
    """A cell without a number in every thousandth row."""
    return ",".join([*cells[:5], "---" if row % 1000 == 17 else cells[5], *cells[6:]])


def dated(cells: list[str], row: int) -> str:
    """A date and time of day for a stamp, so that no row is plain numbers."""
    t_s, us = divmod(int(cells[0]), 1_000_000)
    at = f"2026-01-31T{t_s // 3600:02d}:{t_s // 60 % 60:02d}:{t_s % 60:02d}.{us:06d}"
    return ",".join([at, *cells[1:]])


def dump(cells: list[str], row: int) -> str:
    """Value changes: two vectors, two reals and a bit in every row."""
    hall, pulse = int(cells[1]), int(cells[7])
    return f"#{cells[0]}\nb{hall:b} !\n{row % 2}#\nr{cells[5]} $\nr{cells[6]} %\nb{pulse:b} &"


HEADER = ",".join(NAMES)
HEADERS = {
    plain: HEADER,
    decimal_comma: HEADER.replace(",", ";"),
    odd_cells: HEADER,
    dated: HEADER.replace("t_us", "time"),
    dump: "$timescale 1 us $end $var wire 12 ! hall_counts $end $var wire 1 # deadman $end $var real 64 $ bus_v $end"
    " $var real 64 % pack_a $end $var wire 16 & left_pulse_us $end $enddefinitions $end",
}
# Value changes are read word by word; a tenth of the rows tells as much.
FEWER = {dump: 10}


def written(path: Path, line: Callable[[list[str], int], str], count: int) -> None:
    """A recording of so many rows."""
    with path.open("w", encoding="utf-8") as handle:
        handle.write(f"{HEADERS[line]}\n")
        for first in range(0, count, BLOCK):
            block = enumerate(rows(first, min(BLOCK, count - first)), first)
            handle.writelines(f"{line(cells, row)}\n" for row, cells in block)


def measured(path: Path, small: Path) -> list[float]:
    """Rows, columns, seconds, the peak before and after in megabytes, and the kinds of mending."""
    command = [sys.executable, "-c", READ, str(path), str(small)]
    return [float(word) for word in subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()]


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    heads = ("kind", "rows", "file MB", "s", "rows/s", "table MB", "peak MB", "beyond")
    print("".join(f"{head:<15}" if head == "kind" else f"{head:>10}" for head in heads))
    with tempfile.TemporaryDirectory() as folder:
        for line in HEADERS:
            path, small = (Path(folder) / f"{name}.{'vcd' if line is dump else 'csv'}" for name in ("log", "small"))
            written(path, line, count // FEWER.get(line, 1))
            written(small, line, 1000)
            got, columns, took_s, before_mb, peak_mb, _ = measured(path, small)
            column_mb = 8 * got / 2**20
            beyond = (peak_mb - before_mb) / column_mb - columns
            sizes = (path.stat().st_size / 2**20, took_s, got / took_s, columns * column_mb, peak_mb, beyond)
            shown = "".join(f"{size:>10.{digits}f}" for size, digits in zip(sizes, (0, 1, 0, 0, 0, 1), strict=True))
            print(f"{line.__name__:<15}{got:>10.0f}{shown}", flush=True)
            path.unlink()


if __name__ == "__main__":
    main()
