"use strict";
// Draws each plot when it comes into view, keeps all time axes on the same span, and of a field's overview draws as
// many bins as can be told apart, lowest and highest of each, so that no extreme is lost at any span.
(() => {
  const MOST = 1500;
  const FEW = 200;
  const PRINTED = 660;  // CSS pixels: the width of a page between usual margins
  const plots = JSON.parse(document.getElementById("plots").textContent);
  let places = [...document.querySelectorAll(".plot")];
  const drawn = new Set();
  const utc = (text) => Date.parse(text.replace(" ", "T").replace(/Z?$/, "Z"));
  const text = (ms) => new Date(ms).toISOString().slice(0, 23);
  const anyTime = Object.values(plots).find((plot) => plot.over_time);
  let whole = anyTime ? anyTime.layout.xaxis.range.map(utc) : [0, 1];
  let span = [...whole];
  let busy = false;
  let printing = false;
  let closed = [];

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const numbers = (packed) => {
    const bytes = Uint8Array.from(atob(packed.bdata), (letter) => letter.charCodeAt(0));
    return Float64Array.from(new Float32Array(bytes.buffer), (number) => number + packed.base);
  };

  function seen(band) {
    band.lows ??= numbers(band.low);
    band.highs ??= numbers(band.high);
    const start = utc(band.start);
    const first = Math.max(Math.floor((span[0] - start) / band.step_ms) - 1, 0);
    const last = Math.min(Math.ceil((span[1] - start) / band.step_ms) + 1, band.lows.length);
    const joined = Math.max(Math.ceil((last - first) / MOST), 1);
    // The edge of the band, a closed line for each link.
    const x = [], y = [];
    let places = [], lows = [], highs = [], link = 0;
    const close = () => {
      x.push(...places, ...places.toReversed(), null);
      y.push(...highs, ...lows.toReversed(), null);
      places = []; lows = []; highs = [];
    };
    band.cuts ??= band.ends.map(utc);
    for (let at = first; at < last; at += joined) {
      let least = Infinity, most = -Infinity;
      for (let bin = at; bin < Math.min(at + joined, last); bin++) {
        if (band.lows[bin] < least) least = band.lows[bin];
        if (band.highs[bin] > most) most = band.highs[bin];
      }
      if (least > most) continue;
      const moment = start + (at + Math.min(joined, last - at) / 2) * band.step_ms;
      for (; link < band.cuts.length && band.cuts[link] < moment; link++) if (places.length) close();
      places.push(text(moment));
      lows.push(least);
      highs.push(most);
    }
    close();
    return { x, y };
  }

  function colours() {
    const axis = { color: colour("--ink"), gridcolor: colour("--rule"), linecolor: colour("--rule") };
    return { axis, line: colour("--line"), band: colour("--band"), ground: colour("--ground"), ink: colour("--ink") };
  }

  function dressed(plot) {
    const c = colours();
    const layout = structuredClone(plot.layout);
    Object.assign(layout.xaxis, c.axis);
    Object.assign(layout.yaxis, c.axis);
    layout.paper_bgcolor = layout.plot_bgcolor = c.ground;
    layout.font = { color: c.ink, size: 12, family: "system-ui, sans-serif" };
    layout.dragmode = "zoom";
    if (printing) layout.width = PRINTED;
    if (plot.over_time) layout.xaxis.range = span.map(text);
    const data = plot.data.map((trace) => ({
      ...trace,
      line: { ...trace.line, color: c.line },
      marker: { ...trace.marker, color: c.line },
      fillcolor: c.band,
    }));
    if (plot.band.low) {
      Object.assign(data[0], seen(plot.band));
      data[0].mode = data[0].x.length < FEW ? "lines+markers" : "lines";  // one value alone makes no line
    }
    return { data, layout };
  }

  async function draw(place) {
    const plot = plots[place.dataset.plot];
    if (plot === undefined) return;
    const { data, layout } = dressed(plot);
    const fresh = !drawn.has(place);
    drawn.add(place);
    await Plotly.react(place, data, layout, { displayModeBar: false, responsive: !printing });
    if (fresh && plot.over_time) {
      place.on("plotly_relayout", (change) => {
        if (busy) return;
        const from = change["xaxis.range[0]"] ?? change["xaxis.range"]?.[0];
        const to = change["xaxis.range[1]"] ?? change["xaxis.range"]?.[1];
        if (from !== undefined) look(utc(String(from)), utc(String(to)));
        else if (change["xaxis.autorange"] || change["xaxis.showspikes"] !== undefined) look(...whole);
      });
    }
  }

  async function redraw() {
    busy = true;
    for (const place of drawn) await draw(place);
    busy = false;
  }

  function look(from, to) {
    const least = Math.min(1, whole[1] - whole[0]);
    if (!(to - from >= least)) to = from + least;
    span = [from, to];
    const output = document.getElementById("span");
    output.textContent = from <= whole[0] && to >= whole[1] ? "" : `Shown: ${text(from)} to ${text(to)}`;
    document.dispatchEvent(new CustomEvent("looked", { detail: { from, to, all: output.textContent === "" } }));
    return redraw();
  }

  const moves = {
    whole: () => whole,
    in: (a, b) => [a + (b - a) / 4, b - (b - a) / 4],
    out: (a, b) => [Math.max(a - (b - a) / 2, whole[0]), Math.min(b + (b - a) / 2, whole[1])],
    back: (a, b) => { const by = Math.min((b - a) / 2, a - whole[0]); return [a - by, b - by]; },
    on: (a, b) => { const by = Math.min((b - a) / 2, whole[1] - b); return [a + by, b + by]; },
  };
  for (const button of document.querySelectorAll("[data-move]")) {
    button.addEventListener("click", () => look(...moves[button.dataset.move](...span)));
  }
  document.addEventListener("look", ({ detail }) => look(detail.from, detail.to));
  document.addEventListener("click", ({ target }) => {
    if (!(target instanceof HTMLElement) || target.dataset.show === undefined) return;
    for (const other of document.querySelectorAll("[data-show]")) {
      other.setAttribute("aria-pressed", String(other === target));
    }
    for (const section of document.querySelectorAll("section.node")) {
      section.hidden = target.dataset.show !== "" && section.dataset.node !== target.dataset.show;
    }
  });

  // A page of a run that goes on brings plots as they come, and how far the run is.
  document.addEventListener("plots", async ({ detail }) => {
    const all = span[0] <= whole[0] && span[1] >= whole[1];
    whole = detail.whole;
    if (all) span = [...whole];
    Object.assign(plots, detail.plots);
    for (const place of document.querySelectorAll(".plot")) {
      if (!places.includes(place)) { places.push(place); watch.observe(place); }
    }
    busy = true;
    for (const place of places) if (place.dataset.plot in detail.plots && drawn.has(place)) await draw(place);
    busy = false;
  });

  const watch = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting && !drawn.has(entry.target)) draw(entry.target);
      entry.target.dataset.seen = entry.isIntersecting ? "yes" : "";
    }
    document.dispatchEvent(new CustomEvent("seen"));
  }, { rootMargin: "400px" });
  places.forEach((place) => watch.observe(place));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  addEventListener("beforeprint", () => {
    printing = true;
    closed = [...document.querySelectorAll("details:not([open])")];
    closed.forEach((details) => { details.open = true; });
    places.forEach(draw);
  });
  addEventListener("afterprint", () => {
    printing = false;
    closed.forEach((details) => { details.open = false; });
    redraw();
  });
})();
