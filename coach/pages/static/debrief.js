// Charts of the debrief: the data lies in the page as JSON, nothing is fetched.
"use strict";
(() => {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const charts = [];
  const draw = (element, options) => {
    const chart = echarts.init(element, null, { renderer: "svg" });
    chart.setOption(options);
    charts.push(chart);
    return chart;
  };
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
  }
  const dots = read("dot-options");
  document.querySelectorAll(".dots").forEach((element, i) => draw(element, dots[i]));
  const fit = () => charts.forEach((chart) => chart.resize());
  addEventListener("resize", fit);
  const paper = matchMedia("print");
  paper.addEventListener("change", fit);
  addEventListener("beforeprint", () => charts.forEach((chart) => {
    const wide = chart.getDom().classList.contains("chart");
    chart.resize({ width: wide ? 680 : 310 });
  }));
  addEventListener("afterprint", () => charts.forEach((chart) => chart.resize({ width: "auto" })));
})();
