"use strict";
// Draws the timeline: panels over one time axis, each signal thinned when the page was made. No library.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const box = document.getElementById("timeline");
  const readout = document.getElementById("readout");
  const [first, last] = data.span;
  const shortest = Math.max((last - first) / 2000, 1e-3);
  let from = first, to = last, pending = false;
  const NS = "http://www.w3.org/2000/svg";
  const LEFT = 58, RIGHT = 12, DASHES = ["", "7 3", "2 2", "10 3 2 3"];

  const make = (name, attributes, parent, text) => {
    const element = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    if (parent) parent.appendChild(element);
    return element;
  };

  // Round steps of 1, 2 or 5, at most `most` of them in a range.
  const ticks = (low, high, most) => {
    const raw = (high - low) / most, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map(factor => factor * power).find(size => size >= raw * 0.999);
    const found = [];
    for (let at = Math.ceil(low / step) * step; at <= high + step * 1e-6; at += step) found.push(at);
    return { at: found, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
  };

  // The last sample at or before a time; -1 before the first.
  const place = (times, at) => {
    let low = 0, high = times.length;
    while (low < high) { const middle = (low + high) >> 1; if (times[middle] <= at) low = middle + 1; else high = middle; }
    return low - 1;
  };

  const panels = data.panels.map(panel => {
    const holder = document.createElement("div");
    holder.className = "panel";
    const title = document.createElement("h3");
    title.textContent = panel.name;
    holder.appendChild(title);
    panel.signals.forEach((signal, index) => {
      const label = document.createElement("label"), check = document.createElement("input"), word = document.createElement("b");
      check.type = "checkbox";
      check.checked = true;
      check.dataset.signal = signal.name;
      check.addEventListener("change", () => { signal.hidden = !check.checked; draw(); });
      signal.colour = `var(--c${(panel.colour ?? 0) + index})`;
      signal.dashes = DASHES[index % DASHES.length];
      word.style.color = signal.colour;
      word.textContent = signal.name;
      label.append(check, " ", word);
      holder.appendChild(label);
    });
    const svg = make("svg", { role: "img", "aria-label": panel.name });
    holder.appendChild(svg);
    document.getElementById("panels").appendChild(holder);
    return { ...panel, svg };
  });

  const drawPanel = (panel, isLast) => {
    const width = Math.max(panel.svg.clientWidth || box.clientWidth, 260), height = panel.height + (isLast ? 20 : 4);
    const inner = width - LEFT - RIGHT, svg = panel.svg;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("height", height);
    svg.replaceChildren();
    const x = t => LEFT + (t - from) / (to - from) * inner;
    let [low, high] = panel.range;
    const room = (high - low) * 0.06 || 0.5;
    low -= room; high += room;
    const y = value => 2 + (high - value) / (high - low) * (panel.height - 4);
    const rows = ticks(low, high, Math.max(2, Math.floor(panel.height / 26)));
    for (const at of rows.at) {
      make("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: y(at), y2: y(at) }, svg);
      make("text", { x: LEFT - 6, y: Math.max(y(at) + 4, 9), "text-anchor": "end" }, svg, at.toFixed(rows.digits));
    }
    const columns = ticks(from, to, Math.max(2, Math.floor(inner / 90)));
    for (const at of columns.at) {
      make("line", { class: "grid", x1: x(at), x2: x(at), y1: 2, y2: panel.height - 2 }, svg);
      if (isLast) make("text", { x: x(at), y: panel.height + 14, "text-anchor": "middle" }, svg, `${at.toFixed(columns.digits)} s`);
    }
    for (const event of data.events) {
      if (event.t < from || event.t > to) continue;
      const mark = make("line", { class: "event", x1: x(event.t), x2: x(event.t), y1: 2, y2: panel.height - 2 }, svg);
      make("title", {}, mark, `${event.t.toFixed(3)} s: ${event.what}${event.why ? ` (${event.why})` : ""}`);
    }
    for (const limit of panel.limits) {
      if (limit.at < low || limit.at > high) continue;
      make("line", { class: "limit", x1: LEFT, x2: width - RIGHT, y1: y(limit.at), y2: y(limit.at) }, svg);
      make("text", { class: "limit-word", x: width - RIGHT - 4, y: y(limit.at) < 16 ? y(limit.at) + 12 : y(limit.at) - 3, "text-anchor": "end" }, svg, limit.words);
    }
    for (const signal of panel.signals) {
      if (signal.hidden) continue;
      const start = Math.max(place(signal.t, from), 0), stop = Math.min(place(signal.t, to) + 2, signal.t.length);
      let path = "", broken = true;
      for (let index = start; index < stop; index += 1) {
        const value = signal.v[index];
        if (value === null) { broken = true; continue; }
        const at = x(signal.t[index]).toFixed(2), height = y(value).toFixed(2);
        if (broken) path += `M${at} ${height}`;
        else path += signal.steps ? `H${at}V${height}` : `L${at} ${height}`;
        broken = false;
      }
      const clip = `clip-${panels.indexOf(panel)}`;
      if (!svg.querySelector("clipPath")) {
        make("rect", { x: LEFT, y: 0, width: inner, height: panel.height }, make("clipPath", { id: clip }, svg));
      }
      make("path", { class: "signal", d: path, stroke: signal.colour, "stroke-dasharray": signal.dashes, "clip-path": `url(#${clip})`,
        "data-name": signal.name, style: `stroke:${signal.colour}` }, svg);
    }
    make("rect", { class: "frame", x: LEFT, y: 2, width: inner, height: panel.height - 4 }, svg);
  };

  const draw = () => {
    if (pending) return;
    pending = true;
    requestAnimationFrame(() => {
      pending = false;
      panels.forEach((panel, index) => drawPanel(panel, index === panels.length - 1));
      box.dataset.from = from;
      box.dataset.to = to;
      readout.textContent = `${from.toFixed(2)} to ${to.toFixed(2)} s`;
    });
  };

  const show = (start, stop) => {
    const length = Math.min(Math.max(stop - start, shortest), last - first);
    from = Math.min(Math.max(start, first), last - length);
    to = from + length;
    draw();
  };
  const zoom = (factor, about = (from + to) / 2) => show(about - (about - from) * factor, about + (to - about) * factor);
  const move = part => show(from + part * (to - from), to + part * (to - from));
  const actions = { in: () => zoom(0.5), out: () => zoom(2), left: () => move(-0.25), right: () => move(0.25), all: () => show(first, last) };
  const keys = { "+": "in", "=": "in", "-": "out", "_": "out", ArrowLeft: "left", ArrowRight: "right", 0: "all" };

  box.addEventListener("click", event => { const name = event.target.dataset?.do; if (name) actions[name](); });
  box.addEventListener("keydown", event => {
    if (event.ctrlKey || event.metaKey || event.altKey || !(event.key in keys)) return;
    actions[keys[event.key]]();
    event.preventDefault();
  });
  for (const panel of panels) {
    const time = event => {
      const rect = panel.svg.getBoundingClientRect();
      return from + (event.clientX - rect.left - LEFT) / (rect.width - LEFT - RIGHT) * (to - from);
    };
    panel.svg.addEventListener("wheel", event => { event.preventDefault(); zoom(event.deltaY > 0 ? 1.25 : 0.8, time(event)); }, { passive: false });
    panel.svg.addEventListener("pointerdown", event => {
      const grabbed = time(event), start = from, stop = to, startX = event.clientX, wide = panel.svg.getBoundingClientRect().width - LEFT - RIGHT;
      const drag = moved => { const shift = (startX - moved.clientX) / wide * (stop - start); show(start + shift, stop + shift); };
      const end = () => { window.removeEventListener("pointermove", drag); window.removeEventListener("pointerup", end); };
      if (Number.isFinite(grabbed)) { window.addEventListener("pointermove", drag); window.addEventListener("pointerup", end); }
    });
    panel.svg.addEventListener("pointermove", event => {
      const at = time(event);
      if (at < from || at > to) return;
      const told = panel.signals.filter(signal => !signal.hidden).map(signal => {
        const value = signal.v[place(signal.t, at)];
        return `${signal.name} ${value === undefined || value === null ? "unknown" : Number(value.toPrecision(5))}`;
      });
      readout.textContent = `${at.toFixed(3)} s: ${told.join(", ")}`;
    });
  }
  window.addEventListener("resize", draw);
  // On paper everything is shown: the whole time, and every input in full.
  window.addEventListener("beforeprint", () => document.querySelectorAll("details").forEach(each => { each.open = true; }));
  draw();
})();
