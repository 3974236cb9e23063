// The newest seconds of one gauge, with what capture recognised in them. It draws what it is told and finds nothing.

import uPlot from "/static/uplot/uPlot.esm.js";

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export class Trace {
  constructor(holder, { seconds = 12, axes = true, font = 15, height = null, line = 2.5 } = {}) {
    Object.assign(this, { holder, seconds, axes, font, height, line });
    this.unit = "";
    this.clear("");
    this.build();
    new ResizeObserver(() => this.fit()).observe(holder);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.build());
  }

  clear(start) {
    this.start = start;
    this.t = [];
    this.v = [];
    this.marks = [];
    this.later();
  }

  add(t_s, values) {
    this.t.push(...t_s);
    this.v.push(...values);
    const from = this.t[this.t.length - 1] - this.seconds - 1;
    let gone = 0;
    while (gone < this.t.length && this.t[gone] < from) gone += 1;
    if (gone > 200) {
      this.t.splice(0, gone);
      this.v.splice(0, gone);
    }
    this.later();
  }

  // One pull as it was recognised; times in s of the same recording, forces in N.
  mark(details, value, text, refused) {
    if (typeof details?.t_break_s !== "number") return;
    this.marks.push({ ...details, value, text, refused });
    if (this.marks.length > 12) this.marks.shift();
    this.later();
  }

  later() {
    if (this.due) return;
    this.due = true;
    requestAnimationFrame(() => {
      this.due = false;
      this.plot?.setData([this.t, this.v]);
    });
  }

  get end() {
    return this.t.length ? this.t[this.t.length - 1] : this.seconds;
  }

  build() {
    this.plot?.destroy();
    const font = `${this.font}px system-ui, "DejaVu Sans", sans-serif`;
    const axis = { stroke: colour("--ink"), font, grid: { stroke: colour("--grid"), width: 1 }, ticks: { show: false } };
    const ago = Array.from({ length: Math.floor(this.seconds / 2) + 1 }, (_, i) => this.seconds - 2 * i);
    const options = {
      ...this.room(),
      legend: { show: false },
      cursor: { show: false },
      padding: this.axes ? [8, 26, 0, 0] : [4, 4, 4, 4],
      scales: {
        x: { time: false, range: () => [this.end - this.seconds, this.end] },
        y: { range: (_, low, high) => this.span(low, high) },
      },
      axes: [
        { ...axis, show: this.axes, size: 2 * this.font, splits: () => ago.filter((s) => s % (this.holder.clientWidth < 560 ? 4 : 2) === 0).map((s) => this.end - s).reverse(),
          values: (_, at) => at.map((t) => (this.end - t < 0.01 ? "now" : `−${Math.round(this.end - t)} s`)) },
        { ...axis, show: this.axes, size: 12 + 3.2 * this.font,
          values: (_, at) => at.map((value) => `${+value.toFixed(3)} ${this.unit}`) },
      ],
      series: [{}, { stroke: colour("--trace"), width: this.line, points: { show: false } }],
      hooks: { draw: [(plot) => this.draw(plot)] },
    };
    this.plot = new uPlot(options, [this.t, this.v], this.holder);
  }

  room() {
    return { width: Math.max(80, this.holder.clientWidth), height: this.height ?? Math.max(80, this.holder.clientHeight) };
  }

  fit() {
    if (this.holder.clientWidth) this.plot.setSize(this.room());
  }

  span(low, high) {
    const top = Math.max(high ?? 0, 0.5);
    const bottom = Math.min(low ?? 0, 0);
    // Room for a mark and its words above the highest peak.
    const room = (this.axes ? 3.4 : 3.6) * this.font;
    const height = Math.max(this.holder.clientHeight - (this.axes ? 2 * this.font : 0), 2 * room);
    return [bottom - 0.06 * (top - bottom), top + ((top - bottom) * room) / (height - room)];
  }

  draw(plot) {
    const { ctx, bbox } = plot;
    const ratio = devicePixelRatio;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.font = `600 ${this.font * ratio}px system-ui, "DejaVu Sans", sans-serif`;
    ctx.lineWidth = 3 * ratio;
    for (const mark of this.marks) this.drawMark(plot, ctx, ratio, mark);
    ctx.restore();
  }

  drawMark(plot, ctx, ratio, mark) {
    const x = (t) => plot.valToPos(t, "x", true);
    const y = (v) => plot.valToPos(v, "y", true);
    const rest_n = mark.rest_n ?? 0;
    const own = colour(mark.refused ? "--bad" : "--good");
    ctx.strokeStyle = ctx.fillStyle = own;
    const rest_s = Math.min(mark.contact_s ?? 0, 1.5);
    this.name(plot, ctx, "rest", x(mark.t_start_s - rest_s / 2), y(rest_n) - 5 * ratio, "center");
    this.name(plot, ctx, "release", x(mark.t_end_s) + 6 * ratio, plot.bbox.top + 0.62 * plot.bbox.height, "left");
    ctx.beginPath();
    ctx.moveTo(x(mark.t_start_s - rest_s), y(rest_n));
    ctx.lineTo(x(mark.t_start_s), y(rest_n));
    ctx.lineWidth = 6 * ratio;
    ctx.stroke();
    ctx.lineWidth = 2.5 * ratio;
    ctx.setLineDash([6 * ratio, 5 * ratio]);
    ctx.beginPath();
    ctx.moveTo(x(mark.t_end_s), y(rest_n));
    ctx.lineTo(x(mark.t_end_s), plot.bbox.top + 0.55 * plot.bbox.height);
    ctx.stroke();
    ctx.setLineDash([]);
    const [at, top, half] = [x(mark.t_break_s), y((mark.value ?? 0) + rest_n) - 5 * ratio, 8 * ratio];
    ctx.beginPath();
    if (mark.refused) {
      for (const way of [-1, 1]) {
        ctx.moveTo(at - half, top - half - way * half);
        ctx.lineTo(at + half, top - half + way * half);
      }
      ctx.lineWidth = 4 * ratio;
      ctx.stroke();
    } else {
      ctx.moveTo(at, top);
      ctx.lineTo(at - half, top - 1.6 * half);
      ctx.lineTo(at + half, top - 1.6 * half);
      ctx.fill();
    }
    ctx.textAlign = "center";
    ctx.textBaseline = "bottom";
    const wide = plot.bbox.width > 560 * ratio;
    const text = wide && !mark.refused ? `breakaway ${mark.text}` : mark.text;
    // A mark about to leave, or just come, keeps its words whole inside the plot.
    const [left, right, side] = [plot.bbox.left, plot.bbox.left + plot.bbox.width, ctx.measureText(text).width / 2];
    const middle = at < left || at > right ? at : Math.min(Math.max(at, left + side), right - side);
    ctx.fillText(text, middle, top - 2 * half - 2 * ratio);
  }

  // Named where there is room; below the trace stands what each sign means.
  name(plot, ctx, text, x, y, align) {
    if (!this.axes || plot.bbox.width < 560 * devicePixelRatio) return;
    ctx.textAlign = align;
    ctx.textBaseline = "bottom";
    ctx.fillText(text, x, y);
  }
}
