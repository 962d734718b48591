"use strict";
/* Makes the static charts live: one time cursor, zoom, values read out, data saved as CSV. */
(() => {
  const LEFT = 46;
  const config = JSON.parse(document.getElementById("chart-config").textContent);
  const stacks = [];

  const clock = (s) => {
    const whole = Math.floor(s), tenth = Math.floor((s - whole) * 10 + 1e-6);
    const h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60, sec = whole % 60;
    const two = (n) => String(n).padStart(2, "0");
    return (h ? h + ":" + two(m) : String(m)) + ":" + two(sec) + "." + tenth;
  };
  const show = (v) => {
    if (v === null || v === undefined) return "no value";
    const size = Math.abs(v);
    return v.toFixed(size >= 100 ? 0 : size >= 10 ? 1 : size >= 5 ? 2 : 3).replace("-", "\u2212");
  };
  const rows = (columns, scale) => {
    const names = Object.keys(columns);
    const count = names.length ? columns[names[0]].length : 0;
    const out = new Array(count);
    for (let i = 0; i < count; i++) {
      const row = {};
      for (const n of names) {
        const v = columns[n][i];
        row[n] = (n === "x" || n === "x2") && v !== null ? v * scale : v;
      }
      out[i] = row;
    }
    return out;
  };
  /* Index of the reading that stands at x: the nearest one. */
  const nearest = (xs, x) => {
    let a = 0, b = xs.length - 1;
    while (b - a > 1) {
      const middle = (a + b) >> 1;
      if (xs[middle] < x) a = middle; else b = middle;
    }
    return x - xs[a] < xs[b] - x ? a : b;
  };
  const element = (tag, className, text) => {
    const e = document.createElement(tag);
    if (className) e.className = className;
    if (text !== undefined) e.textContent = text;
    return e;
  };

  class Stack {
    constructor(figure) {
      this.figure = figure;
      this.name = figure.dataset.alive;
      this.info = JSON.parse(document.getElementById("spec-" + this.name).textContent);
      this.scale = this.info.time ? 1000 : 1;
      this.full = [this.info.x0, this.info.x1];
      this.range = this.full.slice();
      this.at = null;
      this.panels = [...figure.querySelectorAll(".panel")].map((box, i) => ({
        box, chart: box.querySelector(".chart"), reads: [...box.querySelectorAll(".read")],
        info: this.info.charts[i], view: null, line: null,
      }));
      this.tools();
    }

    tools() {
      const bar = element("div", "tools");
      const button = (text, label, act) => {
        const b = element("button", "", text);
        b.type = "button";
        b.setAttribute("aria-label", label + ": " + this.info.title);
        b.title = label;
        b.addEventListener("click", act);
        bar.append(b);
        return b;
      };
      this.out = element("output", "", "");
      this.slider = element("input");
      this.slider.type = "range";
      this.slider.min = 0;
      this.slider.max = 1000;
      this.slider.value = 0;
      this.slider.setAttribute("aria-label", "Cursor: " + this.info.title);
      this.slider.addEventListener("input", () => {
        const [a, b] = this.range;
        move(this, a + (b - a) * this.slider.value / 1000);
      });
      if (this.info.charts.some((c) => c.series.length)) bar.append(this.slider, this.out);
      button("+", "Zoom in", () => this.zoom(0.5));
      button("\u2212", "Zoom out", () => this.zoom(2));
      button("All", "Show all", () => this.setRange(...this.full));
      button("CSV", "Save the numbers", () => this.save());
      this.figure.querySelector(".panel").before(bar);
    }

    async start() {
      for (const p of this.panels) {
        const spec = structuredClone(p.info.spec);
        spec.config = config;
        spec.datasets = {};
        for (const [name, columns] of Object.entries(p.info.data)) {
          spec.datasets[name] = rows(columns, this.scale);
        }
        for (const param of spec.params) {
          if (param.name === "x0" || param.name === "x1") param.value *= this.scale;
        }
        p.box.classList.add("alive");
        p.margin = 360 - spec.width;
        spec.width = this.width(p);
        const live = element("div", "live");
        /* The chart around it is told in words already. */
        live.setAttribute("aria-hidden", "true");
        const result = await vegaEmbed(live, spec, {
          ast: true, actions: false, renderer: "svg", tooltip: false, hover: false,
        });
        p.view = result.view;
        p.line = element("div", "line");
        p.line.hidden = true;
        p.drag = element("div", "drag");
        p.drag.hidden = true;
        p.chart.append(live, p.line, p.drag);
        p.chart.classList.add("on");
        this.listen(p);
      }
      this.figure.dataset.state = "alive";
      new ResizeObserver(() => this.resize()).observe(this.panels[0].chart);
    }

    width(p) {
      return Math.max(120, Math.floor(p.chart.getBoundingClientRect().width) - p.margin);
    }

    resize() {
      for (const p of this.panels) {
        const width = this.width(p);
        if (width !== p.view.width()) p.view.width(width).run();
      }
      this.draw();
    }

    place(p, x) {
      return LEFT + (x - this.range[0]) / (this.range[1] - this.range[0]) * p.view.width();
    }

    value(p, event) {
      const px = event.clientX - p.chart.getBoundingClientRect().left - LEFT;
      const share = Math.min(1, Math.max(0, px / p.view.width()));
      return this.range[0] + share * (this.range[1] - this.range[0]);
    }

    listen(p) {
      let from = null;
      p.chart.addEventListener("pointerdown", (e) => {
        if (e.pointerType !== "mouse" || e.button !== 0) return;
        from = this.value(p, e);
        p.chart.setPointerCapture(e.pointerId);
        e.preventDefault();
      });
      p.chart.addEventListener("pointermove", (e) => {
        const x = this.value(p, e);
        move(this, x);
        if (from === null) return;
        p.drag.hidden = false;
        const a = this.place(p, Math.min(from, x)), b = this.place(p, Math.max(from, x));
        p.drag.style.left = a + "px";
        p.drag.style.width = (b - a) + "px";
      });
      const up = (e) => {
        if (from === null) return;
        const x = this.value(p, e), a = Math.min(from, x), b = Math.max(from, x);
        from = null;
        p.drag.hidden = true;
        if (e.type === "pointerup" && this.place(p, b) - this.place(p, a) > 8) this.setRange(a, b);
      };
      p.chart.addEventListener("pointerup", up);
      p.chart.addEventListener("pointercancel", up);
      p.chart.addEventListener("dblclick", () => this.setRange(...this.full));
    }

    zoom(by) {
      const [a, b] = this.range;
      const middle = this.at !== null && this.at >= a && this.at <= b ? this.at : (a + b) / 2;
      const half = (b - a) * by / 2;
      this.setRange(middle - half, middle + half);
    }

    setRange(a, b) {
      a = Math.max(this.full[0], a);
      b = Math.min(this.full[1], b);
      if (b - a < (this.full[1] - this.full[0]) * 1e-4) return;
      this.range = [a, b];
      for (const p of this.panels) {
        p.view.signal("x0", a * this.scale).signal("x1", b * this.scale).run();
      }
      this.draw();
    }

    draw() {
      const x = this.at;
      const shown = x !== null && x >= this.range[0] && x <= this.range[1];
      this.out.textContent = x === null ? "" : this.info.time ? "at " + clock(x)
        : "at " + show(x) + " " + this.info.x_unit;
      if (shown) {
        const share = (x - this.range[0]) / (this.range[1] - this.range[0]);
        this.slider.value = Math.round(1000 * share);
      }
      if (x !== null) this.slider.setAttribute("aria-valuetext", this.out.textContent);
      for (const p of this.panels) {
        if (!p.line) continue;
        p.line.hidden = !shown;
        if (shown) p.line.style.left = this.place(p, x) + "px";
        p.info.series.forEach((s, i) => {
          const data = p.info.data["l" + i];
          if (!p.reads[i]) return;
          p.reads[i].textContent = x === null || !data || !data.x.length ? ""
            : show(data.y[nearest(data.x, x)]) + (s.unit ? " " + s.unit : "");
        });
      }
    }

    save() {
      const quote = (v) => {
        const text = /^[=+\-@\t\r]/.test(v) ? "'" + v : v;
        return '"' + text.replaceAll('"', '""') + '"';
      };
      const unit = this.info.x_unit ? " (" + this.info.x_unit + ")" : "";
      const lines = ["panel,series,unit," + quote(this.info.x_label + unit) + ",value,low,high"];
      for (const c of this.info.charts) {
        for (const [name, d] of Object.entries(c.data)) {
          const line = /^l(\d+)$/.exec(name);
          if (!line && !["points", "rows", "whiskers", "shade"].includes(name)) continue;
          const s = line ? c.series[Number(line[1])] : { label: name, unit: "" };
          d.x.forEach((x, i) => {
            const value = d.y && line || name === "points" ? d.y[i] : d.x2 ? d.x2[i] : "";
            lines.push([quote(c.title), quote(s.label), quote(s.unit), x, value ?? "",
              d.low ? d.low[i] ?? "" : "", d.high ? d.high[i] ?? "" : ""].join(","));
          });
        }
      }
      const blob = new Blob([lines.join("\r\n") + "\r\n"], { type: "text/csv" });
      const link = element("a");
      link.href = URL.createObjectURL(blob);
      link.download = this.name + ".csv";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    }
  }

  /* One cursor: every chart over time shows the same moment. */
  const move = (source, x) => {
    for (const s of stacks) {
      if (s !== source && !(s.info.time && source.info.time)) continue;
      s.at = x;
      s.draw();
    }
  };

  const watch = new IntersectionObserver((entries) => {
    for (const e of entries) {
      if (!e.isIntersecting) continue;
      watch.unobserve(e.target);
      const stack = new Stack(e.target);
      stack.start().then(() => stacks.push(stack), (error) => {
        e.target.dataset.state = "failed";
        console.error(error);
      });
    }
  }, { rootMargin: "300px" });
  for (const figure of document.querySelectorAll("[data-alive]")) watch.observe(figure);
})();
