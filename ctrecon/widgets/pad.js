// Draws a slice with its curves and a section along the part, and tells what a person does. No network, no libraries.

const RIM = "#101418";
const LINK = "#2f9ee0"; // the cross that links the two pictures, seen on black and on white
const THINNEST = 0.2; // of its width a section is at least as tall
const NOTCH = 50; // a wheel turned by one notch gives more than this, a touch pad less at a time
const REST_MS = 400; // a page being scrolled goes on under the pointer; the wheel is the picture's after a rest
const CLICK_PX = 4; // a press that moves less is a click

// A picture seen through a canvas: `middle` is the point of the picture (edges of its first voxel at 0) in the centre.
class View {
  constructor(canvas, tallest) {
    this.canvas = canvas;
    this.tallest = tallest;
    this.zoom = 1;
    this.middle = null;
  }

  fit(columns, rows, aspect) {
    if (this.columns !== columns || this.rows !== rows) this.middle = null;
    [this.columns, this.rows, this.aspect] = [columns, rows, aspect];
    this.wide = this.canvas.clientWidth || 640;
    this.base = Math.min(this.wide / columns, (this.tallest * this.wide) / (rows * aspect));
    this.tall = rows * this.base * aspect;
    const ratio = window.devicePixelRatio || 1;
    this.canvas.style.height = `${this.tall}px`;
    this.canvas.width = Math.round(this.wide * ratio);
    this.canvas.height = Math.round(this.tall * ratio);
    const pen = this.canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.keep();
    return pen;
  }

  get scale() {
    return this.base * this.zoom;
  }

  // Half of what is seen, in voxels across and down.
  get half() {
    return [this.wide / 2 / this.scale, this.tall / 2 / (this.scale * this.aspect)];
  }

  keep() {
    if (!this.middle) [this.zoom, this.middle] = [1, [this.columns / 2, this.rows / 2]];
    this.middle = this.middle.map((at, k) => {
      const [half, whole] = [this.half[k], k ? this.rows : this.columns];
      return half >= whole / 2 ? whole / 2 : Math.min(Math.max(at, half), whole - half);
    });
  }

  x(column) {
    return this.wide / 2 + (column + 0.5 - this.middle[0]) * this.scale;
  }

  y(row) {
    return this.tall / 2 + (row + 0.5 - this.middle[1]) * this.scale * this.aspect;
  }

  spot(event) {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  place([px, py]) {
    return [
      (px - this.wide / 2) / this.scale + this.middle[0] - 0.5,
      (py - this.tall / 2) / (this.scale * this.aspect) + this.middle[1] - 0.5,
    ];
  }

  zoomBy(factor, spot) {
    const before = this.place(spot);
    this.zoom = Math.min(Math.max(this.zoom * factor, 1), Math.max(1, 48 / this.base));
    const after = this.place(spot);
    this.middle = this.middle.map((at, k) => at + before[k] - after[k]);
    this.keep();
  }

  pan(dx, dy) {
    this.middle = [this.middle[0] - dx / this.scale, this.middle[1] - dy / (this.scale * this.aspect)];
    this.keep();
  }

  reset() {
    this.middle = null;
    this.keep();
  }

  picture(pen, image, [column, row, columns, rows]) {
    pen.imageSmoothingEnabled = this.scale < 2;
    pen.drawImage(
      image, this.x(column - 0.5), this.y(row - 0.5), columns * this.scale, rows * this.scale * this.aspect,
    );
  }
}

function twice(pen, colour, thick, path) {
  for (const [one, width] of [[RIM, thick + 2], [colour, thick]]) {
    pen.strokeStyle = one;
    pen.lineWidth = width;
    pen.beginPath();
    path();
    pen.stroke();
  }
}

function tag(pen, text, cx, cy, colour, thick) {
  const half = pen.measureText(text).width / 2 + 4;
  pen.fillStyle = RIM;
  pen.fillRect(cx - half, cy - 9, 2 * half, 18);
  if (colour) {
    pen.strokeStyle = colour;
    pen.lineWidth = thick;
    pen.strokeRect(cx - half, cy - 9, 2 * half, 18);
  }
  pen.fillStyle = "#ffffff";
  pen.fillText(text, cx, cy + 0.5);
}

function scaleBar(pen, view, mm) {
  const raw = (view.wide / 5) * (mm / view.scale);
  const ten = 10 ** Math.floor(Math.log10(raw));
  const long = [5, 2, 1].map((one) => one * ten).find((one) => one <= raw);
  const [x, y, wide] = [12, view.tall - 12, (long / mm) * view.scale];
  pen.setLineDash([]);
  twice(pen, "#ffffff", 2, () => {
    pen.moveTo(x, y - 5);
    pen.lineTo(x, y);
    pen.lineTo(x + wide, y);
    pen.lineTo(x + wide, y - 5);
  });
  const text = `${Number(long.toPrecision(1))} mm`;
  tag(pen, text, x + wide / 2, y - 14, null, 0);
  view.canvas.dataset.bar = `${text}=${wide.toFixed(1)}px`;
}

// Curves are lines of points, or with `pairs` straight pieces of two points each.
function drawCurves(pen, view, curves, chosen, pairs) {
  const taken = [[60, view.tall - 16]]; // the scale bar, and what is written of a section
  if (pairs) taken.push([view.wide - 80, view.tall - 14]);
  for (const curve of curves) {
    const flat = curve.points;
    const path = () => {
      for (let k = 0; k < flat.length; k += 2) {
        if (pairs ? k % 4 : k) pen.lineTo(view.x(flat[k]), view.y(flat[k + 1]));
        else pen.moveTo(view.x(flat[k]), view.y(flat[k + 1]));
      }
    };
    const thick = curve.id === chosen ? 3.5 : 1.6;
    pen.setLineDash([]);
    pen.strokeStyle = RIM;
    pen.lineWidth = thick + 2;
    pen.beginPath();
    path();
    pen.stroke();
    pen.setLineDash(curve.dashes.map((one) => one * 1.6));
    pen.strokeStyle = curve.colour;
    pen.lineWidth = thick;
    pen.stroke();
  }
  pen.setLineDash([]);
  for (const curve of curves) {
    const text = curve.id === chosen ? `▸${curve.id}` : curve.id;
    const half = pen.measureText(text).width / 2 + 4;
    const seen = [];
    for (let k = 0; k < curve.points.length; k += 2) {
      const [px, py] = [view.x(curve.points[k]), view.y(curve.points[k + 1])];
      if (px >= 0 && px <= view.wide && py >= 0 && py <= view.tall) seen.push([px, py]);
    }
    if (!seen.length) continue;
    const [mx, my] = [0, 1].map((k) => seen.reduce((sum, one) => sum + one[k], 0) / seen.length);
    let best = null;
    for (const [px, py] of seen) {
      const far = Math.hypot(px - mx, py - my) || 1;
      // outside the curve, so that the label covers neither a small hole nor the edge itself
      const spot = [
        Math.min(Math.max(px + ((px - mx) / far) * (half + 7), half), view.wide - half),
        Math.min(Math.max(py + ((py - my) / far) * 16, 9), view.tall - 9),
      ];
      const gap = Math.min(1e9, ...taken.map((one) => Math.hypot(one[0] - spot[0], one[1] - spot[1])));
      if (!best || gap > best.gap + 1) best = { gap, spot };
    }
    taken.push(best.spot);
    tag(pen, text, ...best.spot, curve.colour, curve.id === chosen ? 2 : 1);
  }
}

function drawLine(pen, view, at, down) {
  pen.setLineDash([6, 6]);
  pen.strokeStyle = LINK;
  pen.lineWidth = 1.4;
  pen.beginPath();
  pen.moveTo(down ? view.x(at) : 0, down ? 0 : view.y(at));
  pen.lineTo(down ? view.x(at) : view.wide, down ? view.tall : view.y(at));
  pen.stroke();
  pen.setLineDash([]);
}

function letters(pen) {
  pen.font = "12px sans-serif";
  pen.textAlign = "center";
  pen.textBaseline = "middle";
}

function render({ model, el }) {
  const make = (name) => {
    const one = document.createElement("canvas");
    one.className = `ctr-pad-canvas ${name}`;
    one.setAttribute("role", "img");
    return one;
  };
  const [canvas, other] = [make("ctr-pad-slice"), make("ctr-pad-section")];
  canvas.tabIndex = 0;
  const hint = document.createElement("details"); // one line; all keys where somebody asks for them
  hint.className = "ctr-pad-hint";
  const [line, all] = [document.createElement("summary"), document.createElement("div")];
  hint.append(line, all);
  el.append(canvas, other, hint);
  const [main, side] = [new View(canvas, 4), new View(other, 0.7)];

  let shown = null; // what is painted belongs to one slice: picture and curves change together
  let cut = null;
  let cross = null;
  let under = null;
  let target = { slice: 0, at: -1e9 };
  let timer = 0;
  let due = false;

  const here = () => cross || model.get("cross");
  const paintSlice = () => {
    const pen = main.fit(...model.get("size_px"), model.get("aspect"));
    letters(pen);
    if (!shown) return;
    main.picture(pen, shown.picture, shown.covers);
    if (cut) {
      const rows = cut.along === "row";
      drawLine(pen, main, cut.at, !rows);
      drawLine(pen, main, here()[rows ? 0 : 1], rows);
    }
    if (model.get("outlines")) drawCurves(pen, main, shown.curves, model.get("chosen"));
    model.get("points").forEach((point, k) => {
      const [cx, cy] = [main.x(point[0]), main.y(point[1])];
      twice(pen, "#ffffff", 2, () => {
        pen.moveTo(cx - 8, cy);
        pen.lineTo(cx + 8, cy);
        pen.moveTo(cx, cy - 8);
        pen.lineTo(cx, cy + 8);
      });
      tag(pen, String(k + 1), cx + 13, cy + 13, null, 0);
    });
    if (cross) twice(pen, "#ffffff", 1, () => pen.rect(main.x(cross[0]) - 5, main.y(cross[1]) - 5, 10, 10));
    scaleBar(pen, main, model.get("pixel_mm"));
    Object.assign(canvas.dataset, {
      slice: String(shown.slice), zoom: main.zoom.toFixed(3), middle: main.middle.map((one) => one.toFixed(2)).join(" "),
      outlines: String(model.get("outlines")), drawn: String(Number(canvas.dataset.drawn || 0) + 1),
    });
  };
  const paintSection = () => {
    other.style.display = cut ? "" : "none";
    if (!cut) return;
    // a few slices of a wide part would be a line: their depth is stretched, and it is said
    const stretched = Math.max(1, (THINNEST * cut.size[0]) / (cut.size[1] * cut.aspect));
    const pen = side.fit(...cut.size, cut.aspect * stretched);
    if (!cut.picture) return; // its room is kept, so that nothing below moves when it comes
    letters(pen);
    side.picture(pen, cut.picture, [0, 0, ...cut.size]);
    if (model.get("outlines")) drawCurves(pen, side, cut.curves, model.get("chosen"), true);
    drawLine(pen, side, shown ? shown.slice : 0, false);
    drawLine(pen, side, here()[cut.along === "row" ? 0 : 1], true);
    scaleBar(pen, side, cut.pixel_mm);
    const text = `section along ${cut.along} ${cut.at}${stretched > 1 ? `, depth × ${stretched.toFixed(1)}` : ""}`;
    tag(pen, text, side.wide - pen.measureText(text).width / 2 - 10, side.tall - 14, null, 0);
    const lines = model.get("outlines") ? cut.curves.length : 0;
    Object.assign(other.dataset, { at: `${cut.along} ${cut.at}`, zoom: side.zoom.toFixed(3), lines: String(lines) });
  };
  const paint = () => {
    if (due) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      paintSlice();
      paintSection();
    });
  };

  const bitmap = (data) => createImageBitmap(new Blob([data], { type: "image/jpeg" }));
  let wanted = 0;
  let wantedCut = 0;
  const load = async () => {
    const mine = ++wanted;
    await null; // all that came with the same message is there then
    const data = model.get("jpeg");
    if (mine !== wanted || !data || !data.byteLength) return;
    const next = { slice: model.get("slice"), curves: model.get("curves"), covers: model.get("covers") };
    next.picture = await bitmap(data);
    if (mine !== wanted) return; // a newer slice came meanwhile
    if (target.slice === next.slice) target.at = -1e9;
    const old = shown;
    shown = next;
    if (old) old.picture.close();
    paint();
    if (!old) model.send({ kind: "ready" });
  };
  const loadSection = async () => {
    await null;
    const [section, data] = [model.get("section"), model.get("section_jpeg")];
    const mine = ++wantedCut;
    const next = section.size ? { ...section, picture: data.byteLength ? await bitmap(data) : null } : null;
    if (mine !== wantedCut) return;
    if (cut && cut.picture) cut.picture.close();
    cut = next;
    paint();
  };
  const name = () => {
    canvas.setAttribute("aria-label", model.get("label"));
    other.setAttribute("aria-label", `${model.get("label")}, section along the part`);
  };
  const told = () => {
    canvas.classList.toggle("ctr-adds", model.get("adding"));
    const does = model.get("adding") ? "set a point" : "choose";
    line.textContent = `Wheel: slices · drag: move · click: ${does} · all keys`;
    all.textContent =
      `Ctrl+wheel, +, −: zoom · double click, 0: whole picture · Enter: ${does} · Shift+click, X: section here · ` +
      `O: outlines${model.get("adds") ? " · A: points" : ""} · arrows: move the cross · Page keys: slices`;
  };

  // --- what a person does

  let wishes = 0;
  const go = (slice) => {
    target = { slice: Math.min(Math.max(slice, 0), model.get("slices") - 1), at: performance.now() };
    model.set("asked", [target.slice, ++wishes]); // while the kernel is busy only the last wish is kept
    model.save_changes();
  };
  const step = (by) => go((performance.now() - target.at < 1000 ? target.slice : model.get("slice")) + by);
  const within = ([column, row]) => {
    const [columns, rows] = model.get("size_px");
    return [Math.min(Math.max(column, 0), columns - 1), Math.min(Math.max(row, 0), rows - 1)];
  };
  const say = (kind, [column, row]) => model.send({ kind, column, row });
  // a large slice comes reduced; looked at closely, the part that is seen comes whole
  const closer = () => {
    paint();
    clearTimeout(timer);
    const [columns, rows] = model.get("size_px");
    if (Math.max(columns, rows) <= 1024) return;
    timer = setTimeout(() => {
      const [half, middle] = [main.half, main.middle];
      model.send({ kind: "seen", box: main.zoom === 1 ? null : [0, 1, 2, 3].map((k) => middle[k % 2] + (k < 2 ? -1 : 1) * half[k % 2]) });
    }, 150);
  };
  const zoom = (factor, view, spot) => {
    view.zoomBy(factor, spot);
    closer();
  };
  const whole = (view) => {
    view.reset();
    closer();
  };
  const clicked = (at) => {
    cross = within(at);
    paint();
    say("point", at);
  };
  const outlines = () => {
    model.set("outlines", !model.get("outlines"));
    model.save_changes();
  };

  let scrolled = -1e9;
  const elsewhere = (event) => {
    const own = event.target === canvas || event.target === other;
    if (!own || event.timeStamp - scrolled < REST_MS) scrolled = event.timeStamp;
  };
  window.addEventListener("wheel", elsewhere, { capture: true, passive: true });

  const listen = (view, { click, over }) => {
    const at = view.canvas;
    let from = null;
    let dragged = false;
    let turned = 0;
    let last = 0;
    at.addEventListener(
      "wheel",
      (event) => {
        const delta = event.deltaY * (event.deltaMode === 1 ? 33 : event.deltaMode === 2 ? 400 : 1);
        if (event.ctrlKey) {
          zoom(Math.exp(-Math.max(-240, Math.min(240, delta)) * (Math.abs(delta) < NOTCH ? 0.01 : 0.002)), view, view.spot(event));
        } else {
          if (event.timeStamp - scrolled < REST_MS) return;
          turned += delta;
          if (Math.abs(turned) >= NOTCH) {
            step(Math.sign(turned));
            turned = 0;
          }
        }
        event.preventDefault();
        event.stopPropagation();
      },
      { passive: false },
    );
    at.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      from = view.spot(event);
      dragged = false;
      at.setPointerCapture(event.pointerId);
    });
    const up = () => {
      from = null;
      at.classList.remove("ctr-drags");
    };
    at.addEventListener("pointerup", up);
    at.addEventListener("pointercancel", up);
    at.addEventListener("pointerleave", () => (under = null));
    at.addEventListener("pointermove", (event) => {
      const spot = view.spot(event);
      scrolled = -1e9; // the pointer is moved on the picture: the wheel is meant for it
      under = { view, spot };
      if (from) {
        if (!dragged && Math.hypot(spot[0] - from[0], spot[1] - from[1]) < CLICK_PX) return;
        dragged = true;
        at.classList.add("ctr-drags");
        view.pan(spot[0] - from[0], spot[1] - from[1]);
        from = spot;
        closer();
        return;
      }
      if (event.timeStamp - last < 60) return;
      last = event.timeStamp;
      over(view.place(spot));
    });
    at.addEventListener("click", (event) => {
      canvas.focus({ preventScroll: true });
      if (dragged) return;
      click(view.place(view.spot(event)), event);
    });
    at.addEventListener("dblclick", () => {
      if (!dragged && !(model.get("adding") && view === main)) whole(view);
    });
  };
  listen(main, {
    click: (at, event) => {
      if (event.shiftKey) say("cut", (cross = within(at)));
      else if (event.detail < 2 || model.get("adding")) clicked(at);
    },
    over: (at) => {
      model.set("pointer", at);
      model.save_changes();
    },
  });
  listen(side, {
    click: ([across, slice]) => {
      cross = within(cut.along === "row" ? [across, here()[1]] : [here()[0], across]);
      go(Math.round(slice));
      paint();
    },
    over: () => {},
  });

  const keys = {
    PageUp: () => step(-1),
    PageDown: () => step(1),
    "+": () => zoom(1.25, ...(under ? [under.view, under.spot] : [main, spotOfCross()])),
    "-": () => zoom(0.8, ...(under ? [under.view, under.spot] : [main, spotOfCross()])),
    0: () => [main, side].filter((one) => one.middle).forEach(whole),
    o: outlines,
    a: () => {
      if (!model.get("adds")) return;
      model.set("adding", !model.get("adding"));
      model.save_changes();
    },
    x: () => {
      if (under && under.view === main) cross = within(main.place(under.spot));
      say("cut", here());
    },
    Enter: () => cross && say("point", cross),
  };
  keys["="] = keys["+"];
  const spotOfCross = () => (cross ? [main.x(cross[0]), main.y(cross[1])] : [main.wide / 2, main.tall / 2]);
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if (key in arrows) {
      const far = event.shiftKey ? 10 : 1;
      const at = here().map(Math.round);
      cross = within([at[0] + far * arrows[key][0], at[1] + far * arrows[key][1]]);
      paint();
      model.set("pointer", cross);
      model.save_changes();
    } else if (key in keys) {
      keys[key]();
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
  });

  for (const one of ["jpeg", "slice", "curves", "covers"]) model.on(`change:${one}`, load);
  for (const one of ["chosen", "points", "outlines", "pixel_mm"]) model.on(`change:${one}`, paint);
  for (const one of ["section", "section_jpeg"]) model.on(`change:${one}`, loadSection);
  for (const one of ["adding", "adds"]) model.on(`change:${one}`, told);
  model.on("change:label", name);
  const watcher = new ResizeObserver(paint);
  watcher.observe(el);
  name();
  told();
  load();
  loadSection();
  return () => {
    watcher.disconnect();
    clearTimeout(timer);
    window.removeEventListener("wheel", elsewhere, { capture: true });
  };
}

export default { render };
