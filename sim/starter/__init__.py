"""The files that ``drydive new`` writes, as data: an invented vehicle, its controller and its scenarios."""
