// Strip charts: columns of smallest and largest values as they come from the server, drawn on plain canvases.

export class Columns {
  // The newest columns of one finger, in a circle of slots.
  constructor(count) {
    this.count = count;
    this.clear();
  }

  clear() {
    this.last = -1;
    this.channels = 0;
    this.signals = 0;
  }

  take(buffer) {
    const [, channels, count, signals] = new Uint32Array(buffer, 0, 4);
    if (signals !== this.signals) {
      this.signals = signals;
      this.channels = channels;
      this.number = new Int32Array(this.count).fill(-1);
      this.pairs = new Float32Array(this.count * signals * 2);
    }
    const numbers = new Int32Array(buffer, 16, count);
    const pairs = new Float32Array(buffer, 16 + 4 * count);
    const width = signals * 2;
    for (let k = 0; k < count; k++) {
      const slot = numbers[k] % this.count;
      this.number[slot] = numbers[k];
      this.pairs.set(pairs.subarray(k * width, (k + 1) * width), slot * width);
    }
    this.last = numbers[count - 1];
  }

  // Calls use(column, low, high) for each column in which a signal is known; the column counts from the left edge.
  each(signal, use) {
    for (let column = 0; column < this.count; column++) {
      const number = this.last - this.count + 1 + column;
      const slot = ((number % this.count) + this.count) % this.count;
      if (number < 0 || this.number[slot] !== number) continue;
      const place = (slot * this.signals + signal) * 2;
      const low = this.pairs[place];
      if (!Number.isNaN(low)) use(column, low, this.pairs[place + 1]);
    }
  }
}

function niceStep(range, ticks) {
  const rough = range / ticks;
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].find((factor) => factor * power >= rough) * power;
}

export class Strip {
  // kind.lines(channels) lists {signal, sigma, scale, label, colour}; kind.least is the smallest range that is drawn,
  // kind.fixed a range that stays, kind.centred takes the mean of what is seen off each line.
  constructor(canvas, kind) {
    this.canvas = canvas;
    this.kind = kind;
    this.range = null;
  }

  draw(columns, spanS, theme) {
    const ratio = window.devicePixelRatio || 1;
    const width = this.canvas.clientWidth;
    const height = this.canvas.clientHeight;
    if (!width || !columns.signals) return;
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
    }
    const pen = this.canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    const lines = this.kind.lines(columns.channels);
    const offsets = lines.map((line) => (this.kind.centred ? mean(columns, line.signal) : 0));
    const [low, high] = this.kind.fixed || this.follow(columns, lines, offsets);
    const small = Boolean(this.kind.small);
    const box = { left: small ? 2 : 48, right: width - (small ? 2 : 30), top: 8, bottom: height - (small ? 2 : 16) };
    const x = (column) => box.left + ((column + 0.5) / columns.count) * (box.right - box.left);
    const y = (value) => box.bottom - ((value - low) / (high - low)) * (box.bottom - box.top);
    if (!small) this.grid(pen, box, [low, high], y, spanS, theme);
    pen.save();
    pen.beginPath();
    pen.rect(box.left, 0, box.right - box.left, height);
    pen.clip();
    lines.forEach((line, k) => this.trace(pen, columns, line, offsets[k], x, y, theme));
    pen.restore();
    if (!small && lines.length > 1) this.names(pen, columns, lines, offsets, box, y, theme);
  }

  trace(pen, columns, line, offset, x, y, theme) {
    const colour = theme.colours[line.colour];
    if (line.sigma !== undefined) {
      const sigmas = new Map();
      columns.each(line.sigma, (column, _, high) => sigmas.set(column, high));
      const band = new Path2D(); // one shape, because a rectangle for each column takes the machine's time
      let lower = [];
      const close = () => {
        lower.reverse().forEach(([place, bottom]) => band.lineTo(place, bottom));
        lower = [];
      };
      let before = -10;
      columns.each(line.signal, (column, low, high) => {
        const sigma = 2 * (sigmas.get(column) || 0);
        const top = y((high + sigma) * line.scale);
        if (column - before > 8) {
          close();
          band.moveTo(x(column), top);
        } else band.lineTo(x(column), top);
        lower.push([x(column), y((low - sigma) * line.scale)]);
        before = column;
      });
      close();
      pen.fillStyle = colour;
      pen.globalAlpha = 0.22;
      pen.fill(band);
      pen.globalAlpha = 1;
    }
    pen.strokeStyle = colour;
    pen.lineWidth = 1.6;
    pen.lineJoin = "bevel";
    pen.beginPath();
    let before = -10;
    columns.each(line.signal, (column, low, high) => {
      const place = x(column);
      if (column - before > 8) pen.moveTo(place, y((low - offset) * line.scale));
      else pen.lineTo(place, y((low - offset) * line.scale));
      pen.lineTo(place, y((high - offset) * line.scale));
      before = column;
    });
    pen.stroke();
  }

  // The range holds still until it no longer fits, so that the eye can compare.
  follow(columns, lines, offsets) {
    let low = Infinity;
    let high = -Infinity;
    lines.forEach((line, k) => {
      columns.each(line.signal, (_, least, most) => {
        low = Math.min(low, (least - offsets[k]) * line.scale);
        high = Math.max(high, (most - offsets[k]) * line.scale);
      });
    });
    if (low > high) [low, high] = [0, 0];
    const lack = this.kind.least - (high - low);
    if (lack > 0) [low, high] = [low - lack / 2, high + lack / 2];
    const old = this.range;
    if (!old || low < old[0] || high > old[1] || high - low < 0.4 * (old[1] - old[0])) {
      const step = niceStep(high - low, 4);
      this.range = [step * Math.floor(low / step), step * Math.ceil(high / step)];
    }
    return this.range;
  }

  grid(pen, box, [low, high], y, spanS, theme) {
    pen.font = "12px system-ui, sans-serif";
    pen.fillStyle = theme.quiet;
    pen.strokeStyle = theme.line;
    pen.lineWidth = 1;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const step = niceStep(high - low, 4); // as the range was rounded, so that two lines at least carry a number
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    pen.beginPath();
    for (let k = Math.ceil(low / step - 1e-6); k * step <= high + 1e-6 * step; k++) {
      pen.moveTo(box.left, Math.round(y(k * step)) + 0.5);
      pen.lineTo(box.right, Math.round(y(k * step)) + 0.5);
      pen.fillText((k * step).toFixed(digits), box.left - 6, Math.min(y(k * step), box.bottom - 4));
    }
    pen.textBaseline = "alphabetic";
    for (let k = 0; k <= 5; k++) {
      const place = box.left + (k / 5) * (box.right - box.left);
      pen.moveTo(Math.round(place) + 0.5, box.top);
      pen.lineTo(Math.round(place) + 0.5, box.bottom);
      pen.textAlign = k === 5 ? "right" : "center";
      pen.fillText(k === 5 ? "now" : `${((k / 5 - 1) * spanS).toFixed(0)} s`, place, box.bottom + 13);
    }
    pen.stroke();
  }

  // Each line carries its name at its end: colour is never the only difference.
  names(pen, columns, lines, offsets, box, y, theme) {
    const ends = [];
    lines.forEach((line, k) => {
      let end = null;
      columns.each(line.signal, (_, low, high) => {
        end = (low + high) / 2;
      });
      if (end !== null) ends.push({ line, at: y((end - offsets[k]) * line.scale) });
    });
    ends.sort((one, other) => one.at - other.at);
    pen.font = "600 12px system-ui, sans-serif";
    pen.textAlign = "left";
    pen.textBaseline = "middle";
    ends.forEach((end, k) => {
      if (k) end.at = Math.max(end.at, ends[k - 1].at + 12);
    });
    ends.forEach(({ line, at }, k) => {
      const place = Math.max(box.top + 6, Math.min(at, box.bottom - 5 - 12 * (ends.length - 1 - k)));
      pen.fillStyle = theme.colours[line.colour];
      pen.fillRect(box.right + 4, place - 5, 4, 10);
      pen.fillStyle = theme.ink;
      pen.fillText(line.label, box.right + 12, place);
    });
  }
}

function mean(columns, signal) {
  let sum = 0;
  let count = 0;
  columns.each(signal, (_, low, high) => {
    sum += low + high;
    count += 2;
  });
  return count ? sum / count : 0;
}
