// A corner's points moved along the track, by pointer and by keyboard, on the map and on the traces. The server has the
// last word on every place.
"use strict";
(() => {
  const state = { line: [], length: 1, closed: true, marks: [], chart: null };
  let drag = null, focused = null;
  const within = (place, low, high) => Math.min(Math.max(place, low), high);

  const tell = (field, place) => emitEvent("place", { field, at: Math.round(place * 10) / 10 });

  // the place along the line nearest to a point of the picture, near where the drag was
  const nearest = (x, y, around) => {
    let best = around, least = Infinity;
    const base = state.closed ? Math.floor(around / state.length) * state.length : 0;
    for (const [s, px, py] of state.line) {
      for (const place of state.closed ? [s + base, s + base + state.length, s + base - state.length] : [s]) {
        if (place < 0 || Math.abs(place - around) > 60) continue;
        const d = (px - x) ** 2 + (py - y) ** 2;
        if (d < least) [least, best] = [d, place];
      }
    }
    return best;
  };
  const at = (place) => {
    const s = ((place % state.length) + state.length) % state.length;
    return state.line[Math.min(Math.round(s / 2), state.line.length - 1)];
  };

  document.addEventListener("pointerdown", (event) => {
    const handle = event.target.closest?.(".map-holder .handle");
    if (handle) {
      drag = { handle, field: handle.dataset.field, place: +handle.dataset.place, moved: false };
      focused = { field: handle.dataset.field };
      event.preventDefault();
      return;
    }
    const label = event.target.closest?.(".map-holder [data-corner]");
    if (label) emitEvent("corner", { index: +label.dataset.corner });
  });
  document.addEventListener("pointermove", (event) => {
    // the line may not have come yet
    if (!drag?.handle || !state.line.length) return;
    const svg = drag.handle.ownerSVGElement;
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    drag.place = within(nearest(p.x, p.y, drag.place), +drag.handle.dataset.low, +drag.handle.dataset.high);
    drag.moved = true;
    const [, x, y] = at(drag.place);
    const circle = drag.handle.querySelector("circle"), text = drag.handle.querySelector("text");
    circle.setAttribute("cx", x); circle.setAttribute("cy", y);
    text.style.textAnchor = "middle";
    text.setAttribute("x", x); text.setAttribute("y", y - drag.handle.dataset.up);
    drag.handle.querySelector("line").setAttribute("visibility", "hidden");
    text.textContent = `${drag.place.toFixed(0)} m`;
  });
  document.addEventListener("pointerup", () => {
    if (drag?.handle && drag.moved) tell(drag.field, drag.place);
    if (drag?.handle) drag = null;
  });
  // by keyboard: arrows move the focused point, Enter and Space choose a corner, Ctrl+S saves
  document.addEventListener("keydown", (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") {
      event.preventDefault();
      // a field that is being typed in sends its value when it is left
      const field = document.activeElement;
      if (field?.matches?.("input,textarea")) field.dispatchEvent(new Event("change", { bubbles: true }));
      setTimeout(() => emitEvent("save", {}), 500);
      return;
    }
    const handle = event.target.closest?.(".map-holder .handle");
    const sign = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
    if (handle && sign) {
      event.preventDefault();
      const place = within(+handle.dataset.place + sign * (event.shiftKey ? 10 : 1), +handle.dataset.low, +handle.dataset.high);
      handle.dataset.place = place;
      focused = { field: handle.dataset.field };
      tell(handle.dataset.field, place);
      return;
    }
    const label = event.target.closest?.(".map-holder [data-corner]");
    if (label && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      focused = { corner: label.dataset.corner };
      emitEvent("corner", { index: +label.dataset.corner });
    }
  });
  // the map is drawn again after each change: the point that had the focus keeps it
  new MutationObserver(() => {
    if (!focused || document.activeElement !== document.body) return;
    const { field, corner } = focused;
    document.querySelector(field ? `.handle[data-field="${field}"]` : `.pick[data-corner="${corner}"]`)?.focus();
  }).observe(document, { childList: true, subtree: true });
  document.addEventListener("focusin", (event) => {
    if (!event.target.closest?.(".map-holder")) focused = null;
  });
  document.addEventListener("touchmove", (event) => { if (drag) event.preventDefault(); }, { passive: false });

  const onTrace = (chart) => {
    const zr = chart.getZr();
    const pixel = (mark) => chart.convertToPixel({ gridIndex: 0 }, mark.value);
    zr.on("mousedown", (event) => {
      const near = state.marks
        .map((mark, i) => ({ i, d: Math.hypot(pixel(mark)[0] - event.offsetX, pixel(mark)[1] - event.offsetY) }))
        .sort((a, b) => a.d - b.d)[0];
      if (near && near.d < 22) {
        // of points that lie upon each other, the one that the pointer's side leaves room for
        const upon = state.marks.map((m, i) => i).filter((i) =>
          Math.hypot(pixel(state.marks[i])[0] - pixel(state.marks[near.i])[0], 0) < 10);
        const chosen = event.offsetX < pixel(state.marks[near.i])[0] ? upon[0] : upon[upon.length - 1];
        drag = { mark: chosen, moved: false };
      }
    });
    zr.on("mousemove", (event) => {
      if (drag?.mark === undefined) return;
      const mark = state.marks[drag.mark];
      const [x] = chart.convertFromPixel({ gridIndex: 0 }, [event.offsetX, event.offsetY]);
      const wanted = mark.place + within(x, 0, state.length) - mark.value[0];
      const place = within(wanted, mark.low, mark.high);
      mark.value = [mark.value[0] + place - mark.place, mark.value[1]];
      mark.place = place;
      drag.moved = true;
      chart.setOption({ series: [{ id: "places", data: state.marks }] });
    });
    const drop = () => {
      if (drag?.mark === undefined) return;
      const mark = state.marks[drag.mark];
      if (drag.moved) tell(mark.field, mark.place);
      drag = null;
    };
    zr.on("mouseup", drop);
    zr.on("globalout", drop);
  };

  window.coachEditor = {
    // the chart's colours are written into its options: on a dark screen each is replaced
    scheme(id, pairs) {
      const dark = matchMedia("(prefers-color-scheme: dark)");
      const coloured = (v) => typeof v === "string" ? pairs[v] ?? v : Array.isArray(v) ? v.map(coloured)
        : v && typeof v === "object" ? Object.fromEntries(Object.entries(v).map(([k, x]) => [k, coloured(x)])) : v;
      const apply = () => {
        const chart = getElement(id)?.chart;
        if (!chart) { setTimeout(apply, 200); return; }
        if (!dark.matches) return;
        const { title, xAxis, yAxis, series, tooltip, axisPointer } = chart.getOption();
        const bare = series.map(({ data, ...rest }) => rest);
        chart.setOption(coloured({ title, xAxis, yAxis, tooltip, axisPointer, series: bare }));
      };
      apply();
    },
    line(data) { Object.assign(state, data); },
    marks(id, marks) {
      state.marks = marks;
      const chart = getElement(id)?.chart;
      if (chart && chart !== state.chart) { state.chart = chart; onTrace(chart); }
    },
    // where a point of the traces is on the screen, for tests
    markAt(field) {
      const mark = state.marks.find((m) => m.field === field);
      const [x, y] = state.chart.convertToPixel({ gridIndex: 0 }, mark.value);
      const box = state.chart.getDom().getBoundingClientRect();
      return [box.left + x, box.top + y];
    },
    play(data) { new Audio(data).play().catch(() => emitEvent("unheard", {})); },
  };
})();
