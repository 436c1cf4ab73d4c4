// A photo with what was found in it: to look at closely, and to put right.
//
// Python hands in the picture's address, fruit, lines and all words; every correction goes back as
// one `edit`. Places are px of the photo: the middle of its top-left pixel is (0, 0).

const SVG = "http://www.w3.org/2000/svg";
// Our choices: a finger that moves less than this taps; a finger's reach; the smallest outline that
// Python takes; how far one can go in.
const TAP_PX = 6;
const FINGER_PX = 22;
const SMALLEST_PX = 4;
const MOST_ZOOM = 14;

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const sheet = parentElement.querySelector(".sheet");
  sheet.editor ??= new Editor(sheet);
  sheet.editor.show(data, (edit) => setTriggerValue("edit", { photo: data.photo, ...edit }));
}

function make(parent, name, attributes = {}, text = "") {
  const isDrawn = parent.namespaceURI === SVG || name === "svg";
  const node = isDrawn ? document.createElementNS(SVG, name) : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text) node.textContent = text;
  parent.append(node);
  return node;
}

function ellipseAttributes(one) {
  return {
    cx: one.x, cy: one.y, rx: one.w / 2, ry: one.h / 2,
    transform: `rotate(${one.a} ${one.x} ${one.y})`,
  };
}

function axis(one, turned = 0) {
  const angle = ((one.a + turned) * Math.PI) / 180;
  return [Math.cos(angle), Math.sin(angle)];
}

// How far a place is from a fruit's middle, in half axes: 1 on its outline.
function reach(one, [x, y]) {
  const [c, s] = axis(one);
  const [dx, dy] = [x - one.x, y - one.y];
  return Math.hypot((dx * c + dy * s) / (one.w / 2), (dy * c - dx * s) / (one.h / 2));
}

function median(values) {
  const sorted = [...values].sort((one, other) => one - other);
  return sorted[Math.floor(sorted.length / 2)];
}

class Editor {
  constructor(sheet) {
    this.stage = make(sheet, "div", { class: "stage" });
    this.picture = make(this.stage, "svg", { tabindex: 0, role: "group" });
    this.all = make(this.picture, "g");
    this.zooms = make(this.stage, "div", { class: "zooms" });
    const side = make(sheet, "div", { class: "side" });
    this.sentence = make(side, "p", { class: "sentence", "aria-live": "polite" });
    this.buttons = make(side, "div", { class: "buttons" });
    this.legend = make(side, "ul", { class: "legend" });
    this.pointers = new Map();
    this.chosen = null; // number of a fruit
    this.at = -1; // its place in the list, from which arrow keys go on
    this.draft = null; // what is being drawn
    this.waiting = false;
    this.listen();
    new ResizeObserver(() => this.fit(true)).observe(this.stage);
  }

  // -------------------------------------------------------------- what Python hands in

  show(data, send) {
    const other = this.data?.photo !== data.photo;
    this.data = data;
    this.send = (edit) => {
      this.waiting = true;
      this.draft = this.chosen = null;
      this.comeBack();
      this.draw();
      send(edit);
    };
    this.waiting = false;
    if (other) {
      this.chosen = this.draft = null;
      this.at = -1;
      this.stage.style.aspectRatio = `${data.width} / ${data.height}`;
      this.picture.setAttribute("aria-label", data.words.picture);
      this.zooms.replaceChildren();
      const steps = [["+", "nearer", 1.5], ["−", "farther", 1 / 1.5], ["▭", "whole", 0]];
      for (const [sign, word, factor] of steps) {
        const button = make(this.zooms, "button", { "aria-label": data.words[word] }, sign);
        button.title = data.words[word];
        button.onclick = () => (factor ? this.zoom(factor) : this.fit());
      }
    }
    if (!this.fruit()) this.chosen = null;
    this.legend.replaceChildren();
    for (const [sign, text] of data.legend) {
      const line = make(this.legend, "li");
      make(line, "span", { "aria-hidden": "true" }, sign);
      line.append(text);
    }
    if (other) this.fit();
    this.draw();
  }

  fruit() {
    return this.data.fruit.find((one) => one.id === this.chosen) ?? null;
  }

  // -------------------------------------------------------------- view

  fit(onlyIfWhole = false) {
    if (!this.data || (onlyIfWhole && this.view && !this.view.whole)) return;
    const { clientWidth: w, clientHeight: h } = this.stage;
    const scale = Math.min(w / this.data.width, h / this.data.height) || 1;
    this.least = scale;
    this.view = { scale, x: 0, y: 0, whole: true };
    this.move(0, 0);
  }

  zoom(factor, at = null) {
    const [x, y] = at ?? [this.stage.clientWidth / 2, this.stage.clientHeight / 2];
    const old = this.view.scale;
    const scale = Math.min(Math.max(old * factor, this.least), this.least * MOST_ZOOM);
    this.view.x = x - ((x - this.view.x) * scale) / old;
    this.view.y = y - ((y - this.view.y) * scale) / old;
    this.view.scale = scale;
    this.view.whole = scale <= this.least * 1.001;
    this.move(0, 0);
  }

  move(dx, dy) {
    const { clientWidth: w, clientHeight: h } = this.stage;
    const view = this.view;
    const held = (at, size, room) =>
      size <= room ? (room - size) / 2 : Math.min(0, Math.max(room - size, at));
    view.x = held(view.x + dx, this.data.width * view.scale, w);
    view.y = held(view.y + dy, this.data.height * view.scale, h);
    this.all.setAttribute("transform", `translate(${view.x} ${view.y}) scale(${view.scale})`);
    this.all.style.setProperty("--near", view.scale);
    this.picture.classList.toggle("near", view.scale * this.usual() > 34);
    // At first a finger scrolls the page over the picture; in a near view it moves the picture.
    this.picture.style.touchAction = view.whole && !this.draft ? "pan-y" : "none";
  }

  usual() {
    const here = this.data.fruit.filter((one) => one.kind === "sized" || one.kind === "counted");
    return here.length ? median(here.map((one) => one.w)) : this.data.width / 25;
  }

  // Near enough to see an outline's edge; the view from before comes back when it is done.
  goNear(one) {
    this.before ??= { ...this.view };
    const wanted = this.stage.clientWidth / 4 / one.w;
    if (wanted > this.view.scale) this.zoom(wanted / this.view.scale);
    this.bringIn(one);
  }

  comeBack() {
    if (!this.before) return;
    this.view = this.before;
    this.before = null;
    this.move(0, 0);
  }

  bringIn(one) {
    if (this.view.whole) return;
    const [x, y] = [one.x * this.view.scale + this.view.x, one.y * this.view.scale + this.view.y];
    this.move(this.stage.clientWidth / 2 - x, this.stage.clientHeight / 2 - y);
  }

  place(event) {
    const box = this.picture.getBoundingClientRect();
    const [x, y] = [event.clientX - box.left, event.clientY - box.top];
    return [(x - this.view.x) / this.view.scale, (y - this.view.y) / this.view.scale];
  }

  // -------------------------------------------------------------- drawing

  draw() {
    const { data, all } = this;
    all.replaceChildren();
    const picture = { x: -0.5, y: -0.5, width: data.width, height: data.height };
    make(all, "image", { href: data.picture, ...picture, preserveAspectRatio: "none" });
    const lines = this.draft?.what;
    if (data.sides && lines !== "sides") this.drawSides(...data.sides);
    if (data.ground && lines !== "ground") this.drawGround(...data.ground);
    for (const points of data.marks) make(all, "polygon", { points: points.join(" "), class: "mark" });
    for (const one of data.fruit) {
      if (!(this.draft?.what === "shape" && one.id === this.chosen)) this.drawFruit(one);
    }
    this.handles = [];
    this[`draft_${lines}`]?.();
    this.tellAll();
    if (this.view) this.move(0, 0);
  }

  drawFruit(one) {
    const group = make(this.all, "g", { class: `fruit ${one.kind}` });
    group.classList.toggle("chosen", one.id === this.chosen);
    const sign = { behind: "●", fallen: "▼", beside: "■", out: "✕" }[one.kind];
    if (sign) {
      if (one.id === this.chosen) this.outline(group, one);
      this.sign(one.x, one.y, sign, "sign", group);
      return;
    }
    this.outline(group, one);
    if (one.label) this.sign(one.x, one.y, one.label, "mm", group);
    if (one.hand) {
      const [c, s] = axis(one, 90);
      const up = s > 0 ? -1 : 1;
      this.sign(one.x + (up * c * one.h) / 2, one.y + (up * s * one.h) / 2, "◆", "sign", group);
    }
  }

  outline(parent, one) {
    make(parent, "ellipse", { ...ellipseAttributes(one), class: "edge" });
    make(parent, "ellipse", { ...ellipseAttributes(one), class: "line" });
  }

  sign(x, y, text, name, parent = this.all) {
    make(parent, "text", { x, y, class: name, "aria-hidden": "true" }, text);
  }

  drawGround(left, right) {
    const [w, h] = [this.data.width, this.data.height];
    const below = `-0.5,${left} ${w},${right} ${w},${h} -0.5,${h}`;
    make(this.all, "polygon", { points: below, class: "away" });
    for (const name of ["edge", "line"]) {
      make(this.all, "line", { x1: -0.5, y1: left, x2: w, y2: right, class: name });
    }
  }

  drawSides(left, right) {
    const [w, h] = [this.data.width, this.data.height];
    make(this.all, "rect", { x: -0.5, y: -0.5, width: Math.max(left, 0), height: h, class: "away" });
    const rest = Math.max(w - right, 0);
    make(this.all, "rect", { x: right, y: -0.5, width: rest, height: h, class: "away" });
    for (const x of [left, right]) {
      for (const name of ["edge", "line"]) {
        make(this.all, "line", { x1: x, y1: -0.5, x2: x, y2: h, class: name });
      }
    }
  }

  handle(x, y, label, take, step = null) {
    const node = make(this.all, "circle", { cx: x, cy: y, class: "handle", "aria-label": label });
    if (step) {
      // A line's end or side: it can be reached by Tab and moved by arrow keys.
      const now = Math.round(step.now);
      const value = { "aria-valuenow": now, "aria-valuemin": 0, "aria-valuemax": step.most };
      for (const [key, text] of Object.entries({ tabindex: 0, role: "slider", ...value })) {
        node.setAttribute(key, text);
      }
      node.onkeydown = (event) => {
        const sign = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 }[event.key];
        if (!sign) return;
        event.preventDefault();
        event.stopPropagation();
        step.by(sign * (event.shiftKey ? 25 : 5));
        this.draw();
        this.handles.find((one) => one.label === label)?.node.focus();
      };
    }
    this.handles.push({ x, y, take, label, node });
  }

  draft_shape() {
    const one = this.draft;
    if (one.empty) return;
    const group = make(this.all, "g", { class: "fruit draft" });
    this.outline(group, one);
    const [c, s] = axis(one);
    const words = this.data.words;
    for (const side of [1, -1]) {
      const half = (side * one.w) / 2;
      this.handle(one.x + c * half, one.y + s * half, words.stretch, (at) => this.stretch(side, at));
      const low = (side * one.h) / 2;
      this.handle(one.x - s * low, one.y + c * low, words.stretch, (at) => this.widen(side, at));
    }
  }

  draft_add() {
    this.draft_shape();
  }

  draft_ground() {
    const { left, right } = this.draft;
    this.drawGround(left, right);
    const width = this.data.width;
    const most = this.data.height;
    // Handles stand a little inside, so that a thumb has room.
    for (const [at, end] of [[0.06, "left"], [0.94, "right"]]) {
      const y = left + (right - left) * at;
      this.handle(
        width * at, y, this.data.words[`ground_${end}`],
        ([, toY]) => this.tilt(end, at, toY),
        { now: this.draft[end], most, by: (px) => (this.draft[end] += px) },
      );
    }
  }

  draft_sides() {
    this.drawSides(this.draft.left, this.draft.right);
    for (const end of ["left", "right"]) {
      this.handle(
        this.draft[end], this.data.height / 2, this.data.words[`side_${end}`],
        ([x]) => (this.draft[end] = x),
        { now: this.draft[end], most: this.data.width, by: (px) => (this.draft[end] += px) },
      );
    }
  }

  draft_reference() {
    const one = this.draft;
    if (one.empty) return;
    const [x, y] = [Math.min(one.x0, one.x1), Math.min(one.y0, one.y1)];
    const size = { width: Math.abs(one.x1 - one.x0), height: Math.abs(one.y1 - one.y0) };
    for (const name of ["edge", "line"]) make(this.all, "rect", { x, y, ...size, class: name });
  }

  // -------------------------------------------------------------- what handles do

  stretch(side, [x, y]) {
    const one = this.draft;
    const [c, s] = axis(one);
    const other = [one.x - (side * c * one.w) / 2, one.y - (side * s * one.w) / 2];
    const [dx, dy] = [x - other[0], y - other[1]];
    one.w = Math.max(Math.hypot(dx, dy), SMALLEST_PX);
    one.a = (Math.atan2(side * dy, side * dx) * 180) / Math.PI;
    const [c2, s2] = axis(one);
    one.x = other[0] + (side * c2 * one.w) / 2;
    one.y = other[1] + (side * s2 * one.w) / 2;
  }

  widen(side, [x, y]) {
    const one = this.draft;
    const [c, s] = axis(one, 90);
    const other = [one.x - (side * c * one.h) / 2, one.y - (side * s * one.h) / 2];
    const across = side * ((x - other[0]) * c + (y - other[1]) * s);
    one.h = Math.max(across, SMALLEST_PX);
    one.x = other[0] + (side * c * one.h) / 2;
    one.y = other[1] + (side * s * one.h) / 2;
  }

  tilt(end, at, y) {
    // The other handle stays where it is.
    const one = this.draft;
    const still = end === "left" ? 0.94 : 0.06;
    const stillY = one.left + (one.right - one.left) * still;
    const slope = (y - stillY) / (at - still);
    one.left = stillY - slope * still;
    one.right = stillY + slope * (1 - still);
  }

  // -------------------------------------------------------------- words and buttons

  tell(text) {
    if (this.sentence.textContent !== text) this.sentence.textContent = text;
  }

  tellAll() {
    const words = this.data.words;
    const fruit = this.fruit();
    const what = this.draft?.what;
    let list = [];
    if (this.waiting) {
      this.tell(words.saving);
    } else if (what) {
      this.tell(this.draft.empty ? words[`draw_${what}`] : words[`adjust_${what}`]);
      list = this.draftButtons();
    } else if (fruit) {
      this.tell(fruit.words);
      const here = fruit.kind === "sized" || fruit.kind === "counted";
      const row = { what: "row", on: !here, x: fruit.x, y: fruit.y };
      const back = { ...row, on: fruit.row };
      list = fruit.kind === "out" ? [
        ["is_fruit", () => this.send(back)],
        ["leave", () => this.choose(null)],
      ] : [
        ["not_fruit", () => this.remove(fruit)],
        ["wrong_outline", () => this.start({ what: "shape", ...this.copy(fruit) })],
        [here ? "not_this_row" : "this_row", () => this.send(row)],
        ["leave", () => this.choose(null)],
      ];
    } else {
      this.tell(words.look);
      list = [
        ["missing", () => this.start({ what: "add", empty: true })],
        ["ground", () => this.startGround()],
        ["sides", () => this.startSides()],
        ["reference", () => this.start({ what: "reference", empty: true })],
      ];
    }
    // Who may only look reads what was found, and is offered nothing that would be refused.
    if (!this.data.may_change) list = [];
    this.buttons.replaceChildren();
    for (const [word, act, name] of list) {
      const attributes = { "data-act": word, class: name ?? "" };
      const button = make(this.buttons, "button", attributes, words[word]);
      button.onclick = act;
    }
  }

  draftButtons() {
    const one = this.draft;
    const cancel = ["cancel", () => this.start(null)];
    if (one.empty) return [cancel];
    if (one.what === "add" || one.what === "shape") {
      const keep = (whole) => () => {
        const { x, y, w, h, a, was } = one;
        const outline = { x, y, w, h, a, whole };
        this.send(one.what === "add" ? { what: "add", outline } : { what: "shape", ...was, outline });
      };
      const change = (act) => () => {
        act();
        this.draw();
      };
      const grow = (key, px) => change(() => (one[key] = Math.max(one[key] + px, SMALLEST_PX)));
      return [
        ["keep_whole", keep(true), "first"],
        ["keep_partly", keep(false), "first"],
        ["longer", grow("w", 2), "small"],
        ["shorter", grow("w", -2), "small"],
        ["thicker", grow("h", 2), "small"],
        ["thinner", grow("h", -2), "small"],
        ["turn", change(() => (one.a += 5)), "small"],
        cancel,
      ];
    }
    const keep = () => {
      const { what, left, right, x0, y0, x1, y1 } = one;
      this.send(what === "reference" ? { what, box: [x0, y0, x1, y1] } : { what, left, right });
    };
    return [[`keep_${one.what}`, keep, "first"], cancel];
  }

  copy({ x, y, w, h, a }) {
    return { x, y, w, h, a, was: { x, y } };
  }

  choose(id) {
    this.chosen = id;
    const at = this.data.fruit.findIndex((fruit) => fruit.id === id);
    if (at >= 0) this.at = at;
    this.draw();
  }

  start(draft) {
    this.draft = draft;
    if (draft && "w" in draft) this.goNear(draft);
    else this.comeBack();
    this.draw();
    this.picture.focus({ preventScroll: true });
    // On a phone the buttons lie over the picture's lower part until it stands at the top.
    if (draft && matchMedia("(max-width: 640px)").matches) this.stage.scrollIntoView();
  }

  startGround() {
    const [left, right] = this.data.ground ?? [this.data.height * 0.88, this.data.height * 0.88];
    this.start({ what: "ground", left, right });
  }

  startSides() {
    const [left, right] = this.data.sides ?? [this.data.width * 0.08, this.data.width * 0.92];
    this.start({ what: "sides", left, right });
  }

  remove(fruit) {
    if (!this.data.may_change || this.waiting) return;
    if (fruit.kind !== "out") this.send({ what: "remove", x: fruit.x, y: fruit.y });
  }

  // -------------------------------------------------------------- fingers, mouse, keys

  listen() {
    const picture = this.picture;
    picture.addEventListener("wheel", (event) => {
      event.preventDefault();
      const box = this.picture.getBoundingClientRect();
      const at = [event.clientX - box.left, event.clientY - box.top];
      this.zoom(Math.exp(-event.deltaY / 400), at);
    }, { passive: false });
    picture.addEventListener("pointerdown", (event) => this.down(event));
    picture.addEventListener("pointermove", (event) => this.drag(event));
    picture.addEventListener("pointerup", (event) => this.up(event));
    picture.addEventListener("pointercancel", (event) => this.pointers.delete(event.pointerId));
    picture.addEventListener("keydown", (event) => this.key(event));
  }

  down(event) {
    if (event.button) return;
    hold(this.picture, event.pointerId);
    this.pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    this.moved = 0;
    this.pinched = this.pointers.size > 1;
    this.grip = this.pinched ? null : this.gripAt(this.place(event));
  }

  // What a drag that starts here takes hold of: a handle, an outline, something new, or nothing.
  gripAt(at) {
    const far = (one) => Math.hypot(one.x - at[0], one.y - at[1]) * this.view.scale;
    const near = [...(this.handles ?? [])].sort((one, other) => far(one) - far(other))[0];
    if (near && far(near) < FINGER_PX) return near.take;
    const one = this.draft;
    if (!one) return null;
    const from = { ...one };
    if (one.what === "reference") {
      return ([x, y]) => Object.assign(one, { empty: false, x0: at[0], y0: at[1], x1: x, y1: y });
    }
    if (one.empty) {
      return ([x, y]) => {
        const across = Math.max(Math.hypot(x - at[0], y - at[1]), SMALLEST_PX);
        const a = (Math.atan2(y - at[1], x - at[0]) * 180) / Math.PI;
        const middle = { x: (x + at[0]) / 2, y: (y + at[1]) / 2 };
        Object.assign(one, { empty: false, ...middle, w: across, h: across, a, fresh: true });
      };
    }
    if (one.what === "ground") {
      const line = one.left + ((one.right - one.left) * at[0]) / this.data.width;
      if (Math.abs(line - at[1]) * this.view.scale > FINGER_PX) return null;
      return ([, y]) =>
        Object.assign(one, { left: from.left + y - at[1], right: from.right + y - at[1] });
    }
    if (one.what === "sides") {
      const end = Math.abs(one.left - at[0]) < Math.abs(one.right - at[0]) ? "left" : "right";
      if (Math.abs(one[end] - at[0]) * this.view.scale > FINGER_PX) return null;
      return ([x]) => (one[end] = x);
    }
    if (reach(one, at) > 1) return null;
    return ([x, y]) => Object.assign(one, { x: from.x + x - at[0], y: from.y + y - at[1] });
  }

  drag(event) {
    const was = this.pointers.get(event.pointerId);
    if (!was) return;
    const now = { x: event.clientX, y: event.clientY };
    const [dx, dy] = [now.x - was.x, now.y - was.y];
    this.moved += Math.hypot(dx, dy);
    this.pointers.set(event.pointerId, now);
    if (this.pointers.size > 1) {
      this.pinch(event.pointerId, was);
    } else if (this.grip && !this.pinched) {
      if (this.moved < TAP_PX) return;
      this.grip(this.place(event));
      this.draw();
    } else if (this.moved >= TAP_PX) {
      this.move(dx, dy);
    }
  }

  pinch(id, was) {
    const [other] = [...this.pointers].filter(([key]) => key !== id).map(([, at]) => at);
    const now = this.pointers.get(id);
    const apart = (one) => Math.hypot(one.x - other.x, one.y - other.y) || 1;
    const box = this.picture.getBoundingClientRect();
    const middle = [(now.x + other.x) / 2 - box.left, (now.y + other.y) / 2 - box.top];
    this.move((now.x - was.x) / 2, (now.y - was.y) / 2);
    this.zoom(apart(now) / apart(was), middle);
  }

  up(event) {
    const known = this.pointers.delete(event.pointerId);
    if (!known || this.pointers.size || this.pinched) return;
    if (this.moved >= TAP_PX) {
      if (this.draft?.fresh) this.goNear(this.draft);
      if (this.draft) delete this.draft.fresh;
      this.draw();
    } else if (this.draft?.what === "add" && this.draft.empty) {
      // A tap instead of a stroke: a fruit as large as they usually are here.
      const [x, y] = this.place(event);
      const size = this.usual();
      Object.assign(this.draft, { empty: false, x, y, w: size, h: size, a: 0 });
      this.goNear(this.draft);
      this.draw();
    } else if (!this.draft && !this.waiting) {
      this.choose(this.fruitAt(this.place(event))?.id ?? null);
    }
  }

  fruitAt(at) {
    const finger = (one) => Math.hypot(one.x - at[0], one.y - at[1]) * this.view.scale;
    const near = this.data.fruit
      .map((one) => [reach(one, at), one])
      .filter(([far, one]) => far <= 1.15 || finger(one) < FINGER_PX / 2);
    near.sort(([one], [other]) => one - other);
    return near[0]?.[1] ?? null;
  }

  key(event) {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const arrow = step[event.key];
    const done = this.keyDone(event, arrow);
    if (done) event.preventDefault();
  }

  keyDone(event, arrow) {
    const zooms = { "+": 1.5, "=": 1.5, "-": 1 / 1.5 };
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    if (event.key === "Escape") return this.cancel();
    if (zooms[event.key]) return this.zoom(zooms[event.key]) ?? true;
    if (event.key === "0") return this.fit() ?? true;
    if (arrow) return this.arrow(arrow, event.shiftKey);
    const fruit = this.fruit();
    if (this.draft || !fruit) return false;
    if (event.key === "Delete" || event.key === "Backspace") return this.remove(fruit) ?? true;
    if (event.key === "Enter") return this.buttons.querySelector("button")?.focus() ?? true;
    return false;
  }

  cancel() {
    if (!this.draft && !this.chosen) return false;
    if (this.draft) this.start(null);
    else this.choose(null);
    return true;
  }

  arrow([dx, dy], far) {
    const one = this.draft;
    if (one && "w" in one) {
      one.x += dx * (far ? 10 : 1);
      one.y += dy * (far ? 10 : 1);
      this.draw();
    } else if (one?.what === "ground") {
      one.left += dy * (far ? 25 : 5);
      one.right += dy * (far ? 25 : 5);
      this.draw();
    } else if (!one && far) {
      this.move(-60 * dx, -60 * dy);
    } else if (!one && this.data.fruit.length) {
      const count = this.data.fruit.length;
      const next = this.data.fruit[(this.at + dx + dy + 2 * count) % count];
      this.choose(next.id);
      this.bringIn(next);
    }
    return true;
  }
}

// A pointer that is gone by now can't be held; nothing is lost by it.
function hold(picture, id) {
  try {
    picture.setPointerCapture(id);
  } catch {
    return;
  }
}
