// Charts of the debrief: the data lies in the page as JSON, nothing is fetched.
"use strict";
(() => {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const charts = [];
  const pairs = read("dark-colours");
  const darkScreen = matchMedia("screen and (prefers-color-scheme: dark)");
  let paper = false;
  // options hold the light colours: on a dark screen each is replaced, wherever it stands
  const coloured = (value) => {
    if (typeof value === "string") return pairs[value] ?? value;
    if (Array.isArray(value)) return value.map(coloured);
    if (value && typeof value === "object")
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, k === "source" ? v : coloured(v)]));
    return value;
  };
  const inScheme = (options) => (darkScreen.matches && !paper ? coloured(options) : options);
  const draw = (element, options) => {
    const chart = echarts.init(element, null, { renderer: "svg" });
    chart.setOption(inScheme(options));
    charts.push({ chart, options });
    return chart;
  };
  const recolour = () => charts.forEach(({ chart, options }) => {
    const { dataZoom, legend, ...rest } = inScheme(options);
    chart.setOption(rest);
  });
  // a corner's name moves to the other row, or is left out, where it would lie over its neighbour's
  const nameCorners = (chart, options) => {
    const named = options.series.find((s) => s.markArea && s.markArea.label.show);
    if (!named) return;
    const free = [0, 0];
    const data = named.markArea.data.map(([from, to], i) => {
      const ends = [from.xAxis, to.xAxis].map((m) =>
        Math.min(Math.max(chart.convertToPixel({ xAxisIndex: 0 }, m), 0), chart.getWidth()));
      const middle = (ends[0] + ends[1]) / 2, half = 3.4 * from.name.length;
      const row = [i % 2, 1 - i % 2].find((r) => middle - half >= free[r]);
      if (row !== undefined && ends[1] > ends[0]) free[row] = middle + half + 4;
      return [{ ...from, label: { show: row !== undefined, distance: 2 + 13 * row } }, to];
    });
    chart.setOption({ series: [{ id: named.id, markArea: { data } }] });
  };
  let named = () => {};
  const place = document.getElementById("trace-chart");
  if (place) {
    const options = read("trace-options");
    const traces = draw(place, options);
    const end = options.xAxis.length ? options.xAxis[0].max : 1;
    for (const box of document.querySelectorAll("[data-lap]")) {
      box.addEventListener("change", () =>
        traces.dispatchAction({ type: box.checked ? "legendSelect" : "legendUnSelect", name: box.dataset.lap }));
    }
    const zoom = (from, to) => traces.dispatchAction({ type: "dataZoom", startValue: from, endValue: to });
    for (const link of document.querySelectorAll("[data-from]")) {
      link.addEventListener("click", () => zoom(Math.max(0, +link.dataset.from), Math.min(end, +link.dataset.to)));
    }
    document.getElementById("whole-lap").addEventListener("click", () => zoom(0, end));
    // from the keyboard: zoom, move, and back to the whole lap
    place.addEventListener("keydown", (event) => {
      const { startValue: from, endValue: to } = traces.getOption().dataZoom[0];
      const wide = to - from, middle = (from + to) / 2;
      const step = { ArrowLeft: -wide / 5, ArrowRight: wide / 5 }[event.key];
      const half = { "+": wide / 3, "=": wide / 3, "-": wide * 0.75 }[event.key];
      if (step !== undefined) {
        const moved = Math.min(Math.max(from + step, 0), end - wide);
        zoom(moved, moved + wide);
      } else if (half !== undefined) zoom(Math.max(0, middle - half), Math.min(end, middle + half));
      else if (event.key === "0") zoom(0, end);
      else return;
      event.preventDefault();
    });
    named = () => nameCorners(traces, options);
    traces.on("datazoom", named);
    named();
  }
  const dots = read("dot-options");
  document.querySelectorAll(".dots").forEach((element, i) => draw(element, dots[i]));
  const fit = () => {
    charts.forEach(({ chart }) => chart.resize());
    named();
  };
  addEventListener("resize", fit);
  darkScreen.addEventListener("change", () => { recolour(); named(); });
  matchMedia("print").addEventListener("change", fit);
  addEventListener("beforeprint", () => {
    paper = true;
    recolour();
    charts.forEach(({ chart }) => chart.resize({ width: chart.getDom().classList.contains("chart") ? 680 : 310 }));
    named();
  });
  addEventListener("afterprint", () => {
    paper = false;
    recolour();
    charts.forEach(({ chart }) => chart.resize({ width: "auto" }));
    named();
  });
})();
