// Dragging of a corner's points along the track, on the map and on the traces. The server decides what becomes of it.
"use strict";
(() => {
  const state = { line: [], length: 1, closed: true, marks: [], chart: null };
  let drag = null;

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
      event.preventDefault();
      return;
    }
    const label = event.target.closest?.(".map-holder [data-corner]");
    if (label) emitEvent("corner", { index: +label.dataset.corner });
  });
  document.addEventListener("pointermove", (event) => {
    if (!drag?.handle) return;
    const svg = drag.handle.ownerSVGElement;
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    drag.place = nearest(p.x, p.y, drag.place);
    drag.moved = true;
    const [, x, y] = at(drag.place);
    const circle = drag.handle.querySelector("circle"), text = drag.handle.querySelector("text");
    circle.setAttribute("cx", x); circle.setAttribute("cy", y);
    text.setAttribute("x", x); text.setAttribute("y", y - drag.handle.dataset.up);
    text.textContent = `${drag.place.toFixed(0)} m`;
  });
  document.addEventListener("pointerup", () => {
    if (drag?.handle && drag.moved) tell(drag.field, drag.place);
    if (drag?.handle) drag = null;
  });
  document.addEventListener("touchmove", (event) => { if (drag) event.preventDefault(); }, { passive: false });

  const onTrace = (chart) => {
    const zr = chart.getZr();
    const pixel = (mark) => chart.convertToPixel({ gridIndex: 0 }, mark.value);
    zr.on("mousedown", (event) => {
      const near = state.marks
        .map((mark, i) => ({ i, d: Math.hypot(pixel(mark)[0] - event.offsetX, pixel(mark)[1] - event.offsetY) }))
        .sort((a, b) => a.d - b.d)[0];
      if (near && near.d < 22) drag = { mark: near.i, moved: false };
    });
    zr.on("mousemove", (event) => {
      if (drag?.mark === undefined) return;
      const mark = state.marks[drag.mark];
      const [x] = chart.convertFromPixel({ gridIndex: 0 }, [event.offsetX, event.offsetY]);
      const place = Math.min(Math.max(x, 0), state.length);
      mark.place += place - mark.value[0];
      mark.value = [place, mark.value[1]];
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
