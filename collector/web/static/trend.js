// Draws the panels of the trend page over the server's own pictures: cursor, bands, marks, and a drag that looks closer.
// Without this script the pictures of the server stay.
"use strict";
(() => {
  const style = getComputedStyle(document.documentElement);
  const ink = (name) => style.getPropertyValue(name).trim();
  const STROKES = ["--ink", "--link", "--suspect", "--ok", "--fault", "--none", "--soft", "--link"];
  const DASHES = [[], [6, 3], [2, 3], [10, 3, 2, 3], [4, 2], [1, 2], [8, 2], [3, 5]];
  const marks = [...document.querySelectorAll("[data-happened] tr[data-letter]")].map((row) => ({
    letter: row.dataset.letter, time: Number(row.dataset.time),
  }));

  const drawMarks = (plot) => {
    const { ctx, bbox } = plot;
    const ratio = devicePixelRatio || 1;
    ctx.save();
    ctx.strokeStyle = ink("--fault");
    ctx.fillStyle = ink("--fault");
    ctx.lineWidth = ratio;
    ctx.setLineDash([3 * ratio, 3 * ratio]);
    ctx.font = `${11 * ratio}px system-ui, sans-serif`;
    let last = -Infinity;
    for (const mark of marks) {
      const x = plot.valToPos(mark.time, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
      if (x - last > 14 * ratio) { ctx.fillText(mark.letter, x + 3 * ratio, bbox.top + 11 * ratio); last = x; }
    }
    ctx.restore();
  };

  const closer = (figure) => (plot) => {
    if (plot.select.width < 8) return;
    const from = Math.floor(plot.posToVal(plot.select.left, "x"));
    const to = Math.ceil(plot.posToVal(plot.select.left + plot.select.width, "x"));
    if (to - from >= 10) location.search = `?from=${from}&to=${to}&${figure.dataset.query}`;
  };

  const draw = (figure) => {
    const roles = figure.dataset.roles.split(",");
    const data = JSON.parse(figure.querySelector("script").textContent);
    if (!data[0].length) return;
    const unit = figure.dataset.unit;
    const names = figure.dataset.names.split(",");
    const shown = (value) => (value == null ? "" : `${value.toLocaleString(undefined, { maximumFractionDigits: 3 })} ${unit}`);
    const series = [{ value: (plot, value) => (value == null ? "" : new Date(value * 1000).toLocaleString("en-GB", { timeZone: figure.dataset.zone })) }];
    const bands = [];
    roles.forEach((role, index) => {
      const stroke = ink(STROKES[index]);
      const [least, largest] = [3 * index + 2, 3 * index + 3];
      const spread = (plot, value, series, at) => (at == null || value == null ? "" :
        `${shown(value)} (${shown(plot.data[least][at])} to ${shown(plot.data[largest][at])})`);
      const hidden = { show: true, class: "u-hide", stroke: "transparent", width: 0, points: { show: false } };
      series.push({ label: names[index], stroke, width: 1.6, dash: DASHES[index], value: spread });
      series.push({ ...hidden, label: "least" }, { ...hidden, label: "largest" });
      bands.push({ series: [3 * index + 3, 3 * index + 2], fill: `color-mix(in srgb, ${stroke} 16%, transparent)` });
    });
    const zone = figure.dataset.zone;
    const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit" });
    const day = new Intl.DateTimeFormat("en-GB", { timeZone: zone, day: "numeric", month: "short" });
    const ticks = (plot, splits) => {
      let last = "";
      return splits.map((time) => {
        const [hour, date] = [clock.format(time * 1000), day.format(time * 1000)];
        const text = date === last ? hour : hour === "00:00" ? date : `${hour}\n${date}`;
        last = date;
        return text;
      });
    };
    const axis = { stroke: ink("--soft"), grid: { stroke: ink("--rule"), width: 1 }, ticks: { stroke: ink("--rule") } };
    const box = document.createElement("div");
    box.className = "plot";
    const size = () => ({ width: Math.max(280, figure.clientWidth), height: figure.clientWidth < 500 ? 220 : 260 });
    const plot = new uPlot({
      ...size(), series, bands, axes: [{ ...axis, values: ticks, size: 46 }, { ...axis, size: 58 }], legend: { live: true },
      tzDate: (time) => uPlot.tzDate(new Date(time * 1000), figure.dataset.zone),
      scales: { x: { min: Number(figure.dataset.begin), max: Number(figure.dataset.end) } },
      cursor: { sync: { key: "trend" }, drag: { x: true, y: false, setScale: false } },
      hooks: { draw: [drawMarks], setSelect: [closer(figure)] },
    }, data, box);
    box.setAttribute("role", "img");
    box.setAttribute("aria-label", figure.querySelector("svg").getAttribute("aria-label"));
    figure.querySelector(":scope > svg").replaceWith(box);
    new ResizeObserver(() => plot.setSize(size())).observe(figure);
  };

  for (const figure of document.querySelectorAll("[data-panel]")) draw(figure);
})();
