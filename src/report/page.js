// Only adds: pointing at a picture, or the arrow keys on it, read out its values.
"use strict";
for (const store of document.querySelectorAll("script[data-for]")) {
  const figure = document.getElementById(store.dataset.for);
  const stage = figure.querySelector(".stage");
  const svg = stage.querySelector("svg");
  const readout = figure.querySelector(".readout");
  const { hz, traces } = JSON.parse(store.textContent);
  const isMap = figure.dataset.key === "angles";
  const [left, perDecade, width] = figure.dataset.axis.split(" ").map(Number);
  let place = Math.floor(hz.length / 2);

  const cursor = document.createElement("div");
  cursor.className = "cursor";
  cursor.hidden = true;
  stage.append(cursor);
  stage.tabIndex = 0;
  stage.setAttribute("role", "group");
  stage.setAttribute("aria-label", "Values of this picture; left and right arrow move along frequency");

  const spoken = (f) => (f < 1000 ? f.toFixed(0) + " Hz" : (f / 1000).toFixed(2) + " kHz");
  const isOn = (trace) => {
    const box = document.getElementById(figure.id + "-trace-" + trace.code);
    return !box || box.checked;
  };
  const shown = (trace) =>
    isMap ? [0, 30, 60, 90, 180].some((a) => trace.name.endsWith(" " + a)) : isOn(trace);

  const show = (next) => {
    place = Math.max(0, Math.min(hz.length - 1, next));
    const x = left + perDecade * Math.log10(hz[place] / 20);
    cursor.style.left = (100 * x) / width + "%";
    cursor.hidden = false;
    const parts = traces.filter(shown).map((t) => t.name + " " + t.values[place].toFixed(1));
    readout.textContent = spoken(hz[place]) + (isMap ? ", dB over the listening window: " : ", dB: ") + parts.join("; ");
  };
  const nearest = (f) => {
    let best = 0;
    for (let i = 1; i < hz.length; i++) {
      if (Math.abs(Math.log(hz[i] / f)) < Math.abs(Math.log(hz[best] / f))) best = i;
    }
    return best;
  };
  const point = (event) => {
    const box = svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * width;
    show(nearest(20 * Math.pow(10, (x - left) / perDecade)));
  };
  svg.addEventListener("pointermove", point);
  svg.addEventListener("pointerdown", point);
  stage.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -12, PageUp: 12 }[event.key];
    const end = { Home: 0, End: hz.length - 1 }[event.key];
    if (step || end !== undefined) {
      event.preventDefault();
      show(step ? place + step : end);
    }
  });
  figure.addEventListener("change", () => !cursor.hidden && show(place));
}
