// Calibration: a run is chosen by a drag across the day, and the edges of its window are moved by mouse, finger or arrow keys.
// Every figure comes from the server: the page is asked anew and its parts replaced. Without this script the fields do the same.
"use strict";
(() => {
  const form = document.getElementById("runs");
  if (!form || !window.uPlot) return;
  const STEP = 10, LONG_STEP = 60, LEAST = 60, WAIT = 350;
  const style = getComputedStyle(document.documentElement);
  const ink = (name) => style.getPropertyValue(name).trim();
  const zone = form.dataset.zone;
  const written = new Intl.DateTimeFormat("sv-SE", {
    timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit",
  });
  const typed = (time) => written.format(time * 1000).replace(" ", "T");
  const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit", second: "2-digit" });
  const away = document.getElementById("away");
  const say = (text) => { away.textContent = text; away.hidden = text === ""; };
  let asked = 0, timer = 0;

  const busy = (on) => {
    document.getElementById("outcome").setAttribute("aria-busy", String(on));
    for (const button of document.querySelectorAll("[data-keep] button")) button.disabled = on;
  };

  const recompute = async () => {
    const mine = ++asked;
    const query = new URLSearchParams(new FormData(form)).toString();
    try {
      const answer = await fetch(`${location.pathname}?${query}`, { headers: { Accept: "text/html" }, cache: "no-store" });
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (mine !== asked) return;
      const wrong = fresh.querySelector("main .problems[role=alert]:not([hidden])");
      if (!answer.ok) { say(wrong ? wrong.textContent : "Tallywire could not compute this."); return; }
      const typedBefore = new Map([...document.querySelectorAll("[data-keep] input:not([type=hidden])")].map((item) => [item.name, item.value]));
      for (const part of document.querySelectorAll("[data-swap]")) {
        const next = fresh.getElementById(part.id);
        if (next) part.replaceWith(next);
      }
      for (const [name, value] of typedBefore) {
        const field = document.querySelector(`[data-keep] [name="${name}"]`);
        if (field) field.value = value;
      }
      say("");
      history.replaceState(null, "", `?${query}`);
      busy(false);
    } catch {
      if (mine === asked) say("No answer from Tallywire. The figures below are those of the window before.");
    }
  };
  const soon = () => { busy(true); clearTimeout(timer); timer = setTimeout(recompute, WAIT); };

  const axes = () => {
    const axis = { stroke: ink("--soft"), grid: { stroke: ink("--rule"), width: 1 }, ticks: { stroke: ink("--rule") } };
    const hour = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit" });
    return [{ ...axis, values: (plot, splits) => splits.map((time) => hour.format(time * 1000)) }, { ...axis, size: 48 }];
  };

  const drawn = (figure, label, hooks) => {
    const data = JSON.parse(document.getElementById(figure.dataset.columns).textContent);
    const box = document.createElement("div");
    box.className = "plot";
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", label);
    const size = () => ({ width: Math.max(260, figure.clientWidth), height: figure.clientWidth < 500 ? 200 : 240 });
    const hidden = { stroke: "transparent", width: 0, points: { show: false } };
    const plot = new uPlot({
      ...size(), axes: axes(), legend: { show: false },
      series: [{}, { stroke: ink("--ink"), width: 1.6 }, hidden, hidden],
      bands: [{ series: [3, 2], fill: `color-mix(in srgb, ${ink("--ink")} 16%, transparent)` }],
      tzDate: (time) => uPlot.tzDate(new Date(time * 1000), zone),
      scales: { x: { min: Number(figure.dataset.begin), max: Number(figure.dataset.end) }, y: { range: (plot, low, high) => [Math.min(0, low), high * 1.05 || 1] } },
      cursor: { drag: { x: false, y: false, setScale: false } }, hooks,
    }, data, box);
    figure.querySelector(":scope > svg").replaceWith(box);
    new ResizeObserver(() => plot.setSize(size())).observe(figure);
    return plot;
  };

  const timeAt = (plot, event) => Math.round(plot.posToVal(event.clientX - plot.over.getBoundingClientRect().left, "x"));

  const windowed = (figure) => {
    const number = figure.dataset.run;
    const [first, last] = [Number(figure.dataset.first), Number(figure.dataset.last)];
    const words = () => document.getElementById(`words-${number}`);
    const edges = { begin: Number(words().dataset.begin), end: Number(words().dataset.end) };
    const knobs = {};
    const shade = (plot) => {
      const { ctx, bbox } = plot;
      ctx.save();
      ctx.fillStyle = `color-mix(in srgb, ${ink("--none")} 30%, transparent)`;
      const [left, right] = [plot.valToPos(edges.begin, "x", true), plot.valToPos(edges.end, "x", true)];
      ctx.fillRect(bbox.left, bbox.top, Math.max(0, left - bbox.left), bbox.height);
      ctx.fillRect(right, bbox.top, Math.max(0, bbox.left + bbox.width - right), bbox.height);
      ctx.restore();
      place(plot);
    };
    const place = (plot) => {
      for (const side of ["begin", "end"]) {
        const knob = knobs[side];
        if (!knob) continue;
        knob.style.left = `${plot.valToPos(edges[side], "x")}px`;
        knob.setAttribute("aria-valuemin", side === "begin" ? first : edges.begin + LEAST);
        knob.setAttribute("aria-valuemax", side === "begin" ? edges.end - LEAST : last);
        knob.setAttribute("aria-valuenow", edges[side]);
        knob.setAttribute("aria-valuetext", clock.format(edges[side] * 1000));
      }
    };
    const plot = drawn(figure, `Flow of run ${number} with its window`, { draw: [shade] });
    const move = (side, time) => {
      const kept = side === "begin" ? Math.min(Math.max(time, first), edges.end - LEAST) : Math.max(Math.min(time, last), edges.begin + LEAST);
      if (kept === edges[side]) return;
      edges[side] = kept;
      for (const each of ["begin", "end"]) form.elements[`${each}${number}`].value = typed(edges[each]);
      plot.redraw(false);
      soon();
    };
    for (const side of ["begin", "end"]) {
      const knob = knobs[side] = document.createElement("div");
      knob.className = `edge edge-${side}`;
      knob.tabIndex = 0;
      knob.setAttribute("role", "slider");
      knob.setAttribute("aria-label", `${side === "begin" ? "Begin" : "End"} of the window of run ${number}`);
      knob.addEventListener("mousedown", (event) => event.stopPropagation());
      knob.addEventListener("pointerdown", (event) => { knob.setPointerCapture(event.pointerId); knob.focus(); event.preventDefault(); event.stopPropagation(); });
      knob.addEventListener("pointermove", (event) => { if (knob.hasPointerCapture(event.pointerId)) move(side, timeAt(plot, event)); });
      knob.addEventListener("keydown", (event) => {
        const step = event.shiftKey ? LONG_STEP : STEP;
        const to = { ArrowLeft: edges[side] - step, ArrowDown: edges[side] - step, ArrowRight: edges[side] + step, ArrowUp: edges[side] + step,
          PageDown: edges[side] - 6 * LONG_STEP, PageUp: edges[side] + 6 * LONG_STEP, Home: first, End: last }[event.key];
        if (to === undefined) return;
        event.preventDefault();
        move(side, to);
      });
      plot.over.append(knob);
    }
    place(plot);
  };

  const choosing = (figure) => {
    const number = figure.dataset.next;
    const plot = drawn(figure, "Flow of the day", {});
    if (!number) return;
    let from = null;
    plot.over.classList.add("choosing");
    const mark = (event) => {
      const [left, right] = [from, Math.min(Math.max(event.offsetX, 0), plot.over.clientWidth)].sort((a, b) => a - b);
      plot.setSelect({ left, width: right - left, top: 0, height: plot.over.clientHeight }, false);
      return [left, right];
    };
    plot.over.addEventListener("pointerdown", (event) => { from = event.offsetX; plot.over.setPointerCapture(event.pointerId); });
    plot.over.addEventListener("pointermove", (event) => { if (from !== null) mark(event); });
    plot.over.addEventListener("pointercancel", () => { from = null; plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); });
    plot.over.addEventListener("pointerup", (event) => {
      if (from === null) return;
      const [left, right] = mark(event);
      from = null;
      if (right - left < 8) return;
      form.elements[`from${number}`].value = typed(Math.floor(plot.posToVal(left, "x")));
      form.elements[`to${number}`].value = typed(Math.ceil(plot.posToVal(right, "x")));
      form.setAttribute("action", `${location.pathname}#run-${number}`);
      form.requestSubmit();
    });
  };

  const overview = document.getElementById("overview");
  if (overview) choosing(overview);
  for (const figure of document.querySelectorAll("[data-run]")) windowed(figure);
  for (const item of document.querySelectorAll(".scripted")) item.hidden = false;
  for (const field of form.querySelectorAll("[name=edges]")) field.addEventListener("change", soon);
})();
