// Draws each chart that the page tells in data-chart, in the inks of the style sheet, and lets keys walk its line.
"use strict";
(() => {
  const inks = () => {
    const style = getComputedStyle(document.documentElement);
    return (name) => style.getPropertyValue(name).trim();
  };
  // Charts name inks as var(--name); plotly wants colours.
  const inked = (told, ink) => {
    if (typeof told === "string") {
      const found = /^var\((--[a-z]+)\)$/.exec(told);
      return found ? ink(found[1]) : told;
    }
    if (Array.isArray(told)) return told.map((part) => inked(part, ink));
    if (told && typeof told === "object") {
      return Object.fromEntries(Object.entries(told).map(([name, part]) => [name, inked(part, ink)]));
    }
    return told;
  };
  const plain = (text) => {
    const words = text.replaceAll("<br>", "; ");
    return new DOMParser().parseFromString(words, "text/html").body.textContent;
  };

  const draw = (figure) => {
    const told = inked(JSON.parse(figure.dataset.chart), inks());
    const drawing = figure.querySelector(".drawing");
    const narrow = drawing.clientWidth < 520;
    told.layout.font.family = getComputedStyle(document.body).fontFamily;
    if (narrow) {
      told.layout.margin.l = 50;
      told.layout.xaxis.nticks = 4;
      // Legends stand one under the other there.
      const more = 18 * told.data.filter((trace) => trace.showlegend).length;
      told.layout.margin.t += more;
      told.layout.height += more;
    }
    Plotly.react(drawing, told.data, told.layout, {
      displayModeBar: false, responsive: true, scrollZoom: false, doubleClick: false,
    });
    return drawing;
  };

  const lead = (figure, drawing) => {
    drawing.on("plotly_click", (event) => {
      const path = event.points[0] && event.points[0].customdata;
      if (path) location.href = figure.dataset.root + path;
    });
  };

  const walk = (figure, drawing) => {
    const bar = figure.querySelector(".walk");
    const told = JSON.parse(figure.dataset.chart);
    const number = told.data.findIndex((trace) => trace.meta === "steps");
    if (!bar || number < 0) return;
    const line = told.data[number];
    const points = line.x.map((_, index) => index).filter((index) => line.y[index] !== null);
    const [earlier, later] = [bar.querySelector(".earlier"), bar.querySelector(".later")];
    const [output, explain] = [bar.querySelector("output"), bar.querySelector(".explain")];
    let place = points.length;
    const go = (step) => {
      if (!points.length) return;
      place = Math.min(Math.max(place + step, 0), points.length - 1);
      const index = points[place];
      output.textContent = `${plain(line.text[index])} (${place + 1} of ${points.length})`;
      Plotly.Fx.hover(drawing, [{ curveNumber: number, pointNumber: index }], [line.yaxis === "y" ? "xy" : `x${line.yaxis}`]);
      if (explain && line.customdata) {
        explain.href = figure.dataset.root + line.customdata[index];
        explain.hidden = false;
      }
    };
    earlier.addEventListener("click", () => go(-1));
    later.addEventListener("click", () => go(1));
    bar.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -24, PageDown: 24, Home: -points.length, End: points.length }[event.key];
      if (step === undefined) return;
      event.preventDefault();
      go(step);
    });
    bar.hidden = false;
  };

  const figures = [...document.querySelectorAll("figure.chart")];
  for (const figure of figures) {
    figure.querySelector(".drawing").replaceChildren();
    const drawing = draw(figure);
    lead(figure, drawing);
    walk(figure, drawing);
    figure.dataset.drawn = "yes";
  }
  document.addEventListener("paper", () => figures.forEach(draw));
})();
