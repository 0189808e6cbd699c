// @ts-check
"use strict";

/*
 * The page for the phone: grades of coded items, or times of bakes.
 *
 * Everything a tap enters is kept at once, under a key of its own (plan, sheet, item), so
 * that a reload loses nothing and two tabs never write over each other. What is handed
 * out is one text with a sum over its content.
 */

/** @typedef {{name: string, mark: string, look: string, counts: string}} Grade */
/** @typedef {{number: number, trays: string[][], again: string[][], bakes: number[]}} Session */
/** @typedef {{plan: string, grades: Grade[], faces: string[], reasons: string[],
 *             sessions: Session[]}} Plan */
/** @typedef {{grades: Object<string, string>, missing: string, rise_mm: string,
 *             photo: string, notes: string}} Item */
/** @typedef {{loaded_at: string, unloaded_at: string, notes: string}} Bake */
/** @typedef {{sheet: string, kind: string, person: string, session: number, blind: boolean,
 *             faces: string[], byFace: boolean, begun: string}} Head */
/** @typedef {{code: string, face: string}} Step */

const FORMAT = "pitstats grades";
const VERSION = 1;
const BOUNCE = 250; // ms; nobody looks at the next face in less
const FACE_WORDS = { top: "top", bottom: "bottom", side: "fire side" };

// --- what needs no page: tested by itself ------------------------------------------------

/** Sum over bytes (CRC-32), which tells a file that lost or changed a letter.
 * @param {Uint8Array} bytes */
function crc32(bytes) {
  let sum = 0xffffffff;
  for (const byte of bytes) {
    sum ^= byte;
    for (let k = 0; k < 8; k++) sum = (sum >>> 1) ^ (sum & 1 ? 0xedb88320 : 0);
  }
  return ((sum ^ 0xffffffff) >>> 0).toString(16).padStart(8, "0");
}

const UNPRINTABLE = /^[\u0000-\u0008\u000e-\u001f\u007f-\u009f\ud800-\udfff\ufffe\uffff]$/;
const INVISIBLE = new RegExp(
  "^[\\u00ad\\u034f\\u061c\\u115f\\u1160\\u17b4\\u17b5\\u180b-\\u180f\\u200b\\u200e\\u200f\\u202a-\\u202e"
    + "\\u2060-\\u206f\\u3164\\ufeff\\uffa0\\ufff9-\\ufffb\\u{e0000}-\\u{e0fff}]$", "u",
);

/** Text as a study keeps it: nothing unprintable or invisible, no blanks around it.
 * A joiner between letters beyond the Latin ones is part of how they are written.
 * @param {string} text */
function cleanText(text) {
  const signs = Array.from(text.replace(/\r\n|[\r\v\f]/g, "\n"));
  const beyond = (/** @type {string | undefined} */ sign) => (sign?.codePointAt(0) || 0) >= 0x370;
  return signs
    .filter((sign) => !UNPRINTABLE.test(sign) && !INVISIBLE.test(sign))
    .filter((sign, at, kept) =>
      !/^[\u200c\u200d]$/.test(sign) || (beyond(kept[at - 1]) && beyond(kept[at + 1])))
    .join("")
    .trim();
}

/** Clock time with the offset of the place.
 * @param {Date} date */
function localTime(date) {
  const two = (/** @type {number} */ n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
  const offset = -date.getTimezoneOffset();
  const day = [date.getFullYear(), two(date.getMonth() + 1), two(date.getDate())].join("-");
  const clock = [date.getHours(), date.getMinutes(), date.getSeconds()].map(two).join(":");
  return `${day}T${clock}${offset < 0 ? "-" : "+"}${two(offset / 60)}:${two(offset % 60)}`;
}

/** Faces in the order in which they are graded.
 * @param {string[]} codes @param {string[]} faces @param {boolean} byFace
 * @returns {Step[]} */
function stepsOf(codes, faces, byFace) {
  return byFace
    ? faces.flatMap((face) => codes.map((code) => ({ code, face })))
    : codes.flatMap((code) => faces.map((face) => ({ code, face })));
}

/** Next face to grade after one of them; null when the tray is done.
 * @param {Step[]} steps @param {Object<string, Item>} items @param {Step | null} after
 * @returns {Step | null} */
function nextStep(steps, items, after) {
  const at = after ? steps.findIndex((s) => s.code === after.code && s.face === after.face) : -1;
  const open = (/** @type {Step} */ step) => {
    const item = items[step.code];
    return !item || !(item.missing || item.grades[step.face]);
  };
  return steps.slice(at + 1).find(open) || steps.slice(0, at + 1).find(open) || null;
}

/** @returns {Item} */
function emptyItem() {
  return { grades: {}, missing: "", rise_mm: "", photo: "", notes: "" };
}

/** Content of the file: who entered what for which plan.
 * @param {Plan} plan @param {{head: Head, changes: number, items: Object<string, Item>,
 *   bakes: Object<string, Bake>}[]} sheets @param {string} time */
function contentOf(plan, sheets, time) {
  const written = sheets.map(({ head, changes, items, bakes }) => {
    const start = { sheet: head.sheet, kind: head.kind, person: head.person, changes };
    if (head.kind === "times") {
      const entries = Object.entries(bakes).map(([bake, entry]) => ({
        session: head.session,
        bake: Number(bake),
        loaded_at: entry.loaded_at,
        unloaded_at: entry.unloaded_at,
        notes: entry.notes,
      }));
      return { ...start, bakes: entries };
    }
    const entries = Object.entries(items).map(([code, item]) => ({
      code,
      grades: Object.fromEntries(
        plan.faces.filter((face) => item.grades[face]).map((face) => [face, item.grades[face]]),
      ),
      missing: item.missing,
      rise_mm: item.rise_mm,
      photo: item.photo,
      notes: item.notes,
    }));
    return { ...start, session: head.session, blind: head.blind, items: entries };
  });
  return { format: FORMAT, version: VERSION, plan: plan.plan, handed_out: time, sheets: written };
}

/** The file itself, with its sum at the end.
 * @param {object} content */
function fileText(content) {
  const sum = crc32(new TextEncoder().encode(JSON.stringify(content)));
  return JSON.stringify({ ...content, sum }, null, 1) + "\n";
}

/** Name of the file, of letters that every phone and mail program takes.
 * @param {string} plan @param {string[]} people @param {Date} date */
function fileName(plan, people, date) {
  const names = people.map((name) => name.replace(/[^A-Za-z0-9]+/g, "").slice(0, 12));
  const clock = localTime(date).slice(0, 16).replace(/[-:]/g, "").replace("T", "_");
  return ["grades", plan.slice(0, 6), ...names.filter(Boolean).slice(0, 3), clock].join("_") + ".json";
}

/** Tone of a step of the ladder, pale to black; it shows the order, not the grade.
 * @param {number} step @param {number} count */
function toneOf(step, count) {
  const tones = [[246, 234, 205], [214, 155, 75], [120, 66, 28], [22, 14, 10]];
  const at = (count < 2 ? 0 : step / (count - 1)) * (tones.length - 1);
  const low = Math.min(Math.floor(at), tones.length - 2);
  const mixed = tones[low].map((v, k) => Math.round(v + (tones[low + 1][k] - v) * (at - low)));
  return `rgb(${mixed.join(", ")})`;
}

// --- what is kept ------------------------------------------------------------------------

/** Keep texts by key in the browser, or in memory where the browser refuses. */
class Store {
  /** @param {() => Storage | null} open @param {string} prefix */
  constructor(open, prefix) {
    this.prefix = prefix;
    /** @type {Map<string, string>} */
    this.memory = new Map();
    /** @type {Storage | null} */
    this.storage = null;
    try {
      this.storage = open();
      if (this.storage) {
        this.storage.setItem(`${prefix}try`, "1");
        this.storage.removeItem(`${prefix}try`);
      }
    } catch {
      this.storage = null;
    }
  }

  /** Whether everything entered so far outlives a reload. */
  get keeps() {
    return this.storage !== null && this.memory.size === 0;
  }

  /** @param {string} key @returns {any} */
  get(key) {
    const text = this.memory.get(key) ?? this.storage?.getItem(this.prefix + key);
    if (text === null || text === undefined) return null;
    try {
      return JSON.parse(text);
    } catch {
      return null; // somebody else's
    }
  }

  /** @param {string} key @param {any} value */
  set(key, value) {
    try {
      if (!this.storage) throw new Error("refused");
      this.storage.setItem(this.prefix + key, JSON.stringify(value));
      this.memory.delete(key);
    } catch {
      this.memory.set(key, JSON.stringify(value));
    }
  }

  /** Keys below a start, without it, in no order.
   * @param {string} start @returns {string[]} */
  keys(start) {
    const found = new Set(this.memory.keys());
    for (let k = 0; this.storage && k < this.storage.length; k++) {
      const key = this.storage.key(k) || "";
      if (key.startsWith(this.prefix)) found.add(key.slice(this.prefix.length));
    }
    return [...found].filter((key) => key.startsWith(start)).map((key) => key.slice(start.length));
  }
}

/** What one person enters in one go; every entry is kept under its own key. */
class Sheet {
  /** @param {Store} store @param {Head} head */
  constructor(store, head) {
    this.store = store;
    this.head = head;
    this.path = `${head.sheet}/`;
  }

  /** @param {Store} store @param {Omit<Head, "sheet">} head @param {string} id */
  static begin(store, head, id) {
    const sheet = new Sheet(store, { sheet: id, ...head });
    store.set(`${sheet.path}head`, sheet.head);
    return sheet;
  }

  /** All sheets of the plan that are kept, oldest first.
   * @param {Store} store */
  static all(store) {
    const heads = store.keys("").filter((key) => key.endsWith("/head")).map((key) => store.get(key));
    const begun = (/** @type {Head} */ head) => head.begun + head.sheet;
    return heads
      .filter((head) => head?.sheet)
      .sort((a, b) => (begun(a) < begun(b) ? -1 : 1))
      .map((head) => new Sheet(store, head));
  }

  get changes() {
    return Number(this.store.get(`${this.path}changes`) || 0);
  }

  /** @param {string} kind @returns {Object<string, any>} */
  entries(kind) {
    const start = `${this.path}${kind}/`;
    const found = Object.create(null); // a code may be called like anything
    for (const key of this.store.keys(start).sort()) found[key] = this.store.get(start + key);
    return found;
  }

  /** Keep an entry, and what it was before, to be undone.
   * @param {string} kind @param {string} key @param {any} entry */
  put(kind, key, entry) {
    const place = `${this.path}${kind}/${key}`;
    const undo = this.store.get(`${this.path}undo`) || [];
    undo.push([kind, key, this.store.get(place)]);
    this.store.set(`${this.path}undo`, undo.slice(-200));
    this.write(place, entry);
  }

  /** Take back the last change; returns what it concerned.
   * @returns {[string, string] | null} */
  undo() {
    const undo = this.store.get(`${this.path}undo`) || [];
    const last = undo.pop();
    if (!last) return null;
    const [kind, key, entry] = last;
    this.store.set(`${this.path}undo`, undo);
    const empty = kind === "item" ? emptyItem() : { loaded_at: "", unloaded_at: "", notes: "" };
    this.write(`${this.path}${kind}/${key}`, entry || empty);
    return [kind, key];
  }

  /** @param {string} place @param {any} entry */
  write(place, entry) {
    this.store.set(place, entry);
    this.store.set(`${this.path}changes`, this.changes + 1);
  }

  /** What the file holds of this sheet. */
  state() {
    const [items, bakes] = [this.entries("item"), this.entries("bake")];
    return { head: this.head, changes: this.changes, items, bakes };
  }

  get used() {
    return this.changes > 0;
  }
}

// --- the page ----------------------------------------------------------------------------

/** @param {Document} page */
function run(page) {
  const by = (/** @type {string} */ id) => /** @type {any} */ (page.getElementById(id));
  /** @type {Plan} */
  const plan = JSON.parse(by("plan").textContent);
  const store = new Store(() => window.localStorage, `pitstats/${plan.plan}/`);
  const tab = new Store(() => window.sessionStorage, `pitstats/${plan.plan}/`);
  /** @type {Sheet} */
  let sheet;
  let tray = 0;
  /** @type {Step | null} */
  let now = null;
  let panel = ""; // "", "missing" or "more": what lies over the grades

  /** Make an element with attributes, text and children.
   * @param {string} tag @param {Object<string, any>} given @param {(Node | string)[]} inside */
  function make(tag, given = {}, ...inside) {
    const element = page.createElement(tag);
    for (const [name, value] of Object.entries(given)) {
      if (name === "onclick") element.addEventListener("click", value);
      else if (value !== null && value !== false) element.setAttribute(name, value === true ? "" : value);
    }
    element.append(...inside);
    return element;
  }

  /** Text of the user's, kept apart from the text around it.
   * @param {string} text */
  const own = (text) => make("bdi", {}, text);

  /** @param {string} text */
  function tell(text) {
    by("told").textContent = text;
  }

  /** @param {string} view */
  function show(view) {
    for (const name of ["start", "grading", "times", "handout"]) by(name).hidden = name !== view;
    tab.set("here", { sheet: sheet?.head.sheet, view, tray, now });
    by("unkept").hidden = store.keeps;
    window.scrollTo(0, 0);
    by(view).querySelector("h1").focus({ preventScroll: true });
  }

  const session = () => /** @type {Session} */ (
    plan.sessions.find((s) => s.number === sheet.head.session)
  );
  const trays = () => (sheet.head.kind === "second" ? session().again : session().trays);
  const codes = () => trays()[tray];
  const steps = () => stepsOf(codes(), sheet.head.faces, sheet.head.byFace);
  const faceWord = (/** @type {string} */ face) => FACE_WORDS[/** @type {"top"} */ (face)];

  /** @param {Head} head */
  function nameOf(head) {
    const task = { first: "grading", second: "second grading", times: "times of bakes" };
    return `${task[/** @type {"first"} */ (head.kind)]}, session ${head.session}`;
  }

  // --- start ---

  function showStart() {
    const kept = Sheet.all(store).filter((known) => known.used);
    by("kept").replaceChildren(
      ...kept.map((known) =>
        make("li", {}, make(
          "button",
          { type: "button", class: "wide", onclick: () => open(known) },
          own(known.head.person), `: ${nameOf(known.head)}, ${doneOf(known)}`,
        )),
      ),
    );
    by("go-on").hidden = kept.length === 0;
    by("out-start").hidden = kept.length === 0;
    show("start");
  }

  /** @param {Sheet} known */
  function doneOf(known) {
    const { items, bakes } = known.state();
    if (known.head.kind === "times") {
      const ended = Object.values(bakes).filter((bake) => bake.unloaded_at).length;
      return ended === 1 ? "1 bake ended" : `${ended} bakes ended`;
    }
    const graded = Object.values(items).filter(isDone).length;
    return graded === 1 ? "1 item" : `${graded} items`;
  }

  /** @param {Item} item */
  const isDone = (item) => Boolean(item.missing || Object.keys(item.grades).length);

  function begin() {
    const form = by("new");
    const chosen = (/** @type {string} */ name) => form.querySelector(`[name=${name}]:checked`)?.value;
    const person = cleanText(by("person").value);
    const [kind, number, blind] = ["task", "session", "blind"].map(chosen);
    const faces = plan.faces.filter((face) => form.querySelector(`[name=face][value=${face}]`).checked);
    const lacking = !person ? "your name" : !kind ? "what you do" : !number ? "the session"
      : kind === "times" ? "" : !blind ? "whether you know which item is whose"
      : !faces.length ? "the faces you grade" : "";
    by("lacking").textContent = lacking ? `Still to say: ${lacking}.` : "";
    if (lacking) return;
    const id = "s" + Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => (b % 36).toString(36)).join("");
    const byFace = chosen("turns") === "face";
    const begun = new Date().toISOString();
    const head = {
      kind, person, session: Number(number), blind: blind !== "no", faces, byFace, begun,
    };
    open(Sheet.begin(store, head, id));
  }

  /** @param {Sheet} chosen */
  function open(chosen) {
    sheet = chosen;
    panel = "";
    if (sheet.head.kind === "times") return showTimes();
    const items = sheet.entries("item");
    const unfinished = (/** @type {string[]} */ own) =>
      nextStep(stepsOf(own, sheet.head.faces, sheet.head.byFace), items, null) !== null;
    tray = Math.max(0, trays().findIndex(unfinished));
    now = nextStep(steps(), items, null);
    showGrading();
  }

  // --- grading ---

  function showGrading() {
    show("grading");
    drawGrading();
  }

  function drawGrading() {
    const items = sheet.entries("item");
    const open = steps().filter((step) => nextStep([step], items, null)).length;
    const count = steps().length;
    by("where").textContent =
      `Tray ${tray + 1} of ${trays().length}: ${count - open} of ${count} faces`;
    by("who").replaceChildren(`${nameOf(sheet.head)}, `, own(sheet.head.person));
    by("tray").setAttribute("aria-label", `Tray ${tray + 1}, codes in shuffled order`);
    const focused = by("tray").contains(page.activeElement);
    by("tray").replaceChildren(...codes().map((code) => cell(code, items[code])));
    const current = by("tray").querySelector("[aria-current]");
    if (focused) current?.focus({ preventScroll: true });
    current?.scrollIntoView({ block: "nearest" });
    by("trays").hidden = trays().length < 2;
    by("before").disabled = tray === 0;
    by("after").disabled = tray === trays().length - 1;
    drawPanel(items);
    by("unkept").hidden = store.keeps;
    tab.set("here", { sheet: sheet.head.sheet, view: "grading", tray, now });
  }

  /** @param {string} code @param {Item | undefined} item */
  function cell(code, item) {
    const is = now?.code === code;
    const marks = sheet.head.faces.map((face) => {
      const at = plan.grades.findIndex((grade) => grade.name === item?.grades[face]);
      return { face, at, mark: at < 0 ? "·" : plan.grades[at].mark };
    });
    const words = item?.missing
      ? `missing, ${item.missing}`
      : marks.map(({ face, at }) => `${faceWord(face)} ${at < 0 ? "open" : plan.grades[at].name}`).join(", ");
    const done = item && (item.missing || sheet.head.faces.every((face) => item.grades[face]));
    const first = !now && code === codes()[0];
    return make(
      "button",
      {
        type: "button", class: `cell${done ? " done" : ""}${item?.missing ? " gone" : ""}`,
        "aria-current": is && "true", "aria-label": `code ${code}: ${words}`, "data-code": code,
        tabindex: is || first ? "0" : "-1", onclick: () => choose(code),
      },
      make("span", { class: "code", dir: "auto" }, code),
      make("span", { class: "marks" }, item?.missing ? "missing" : marks.map(({ mark }) => mark).join(" ")),
    );
  }

  /** What is typed next must not go to the item before; some phones leave a field focused. */
  function leaveField() {
    const field = /** @type {HTMLElement | null} */ (page.activeElement);
    if (field?.matches("input, textarea")) field.blur();
  }

  /** @param {string} code @param {string} [face] */
  function choose(code, face) {
    leaveField();
    const item = sheet.entries("item")[code];
    const open = sheet.head.faces.find((name) => !item?.grades[name]);
    now = { code, face: face || open || sheet.head.faces[0] };
    panel = "";
    drawGrading();
    say();
  }

  function say() {
    tell(now ? `Now code ${now.code}, ${faceWord(now.face)}.` : `Tray ${tray + 1} is done.`);
  }

  /** @param {Object<string, Item>} items */
  function drawPanel(items) {
    const item = (now && items[now.code]) || emptyItem();
    const step = now;
    by("done").hidden = step !== null;
    by("enter").hidden = step === null;
    by("to-missing").disabled = by("to-more").disabled = step === null;
    by("undo").disabled = !(store.get(`${sheet.path}undo`) || []).length;
    if (!step) {
      by("done-words").textContent = `Tray ${tray + 1} is done.`
        + (store.keeps ? "" : " This browser keeps nothing: hand out the file now.");
      by("next-tray").hidden = tray === trays().length - 1;
      return;
    }
    by("now").replaceChildren("code ", own(step.code), `, ${faceWord(step.face)}`);
    by("faces").replaceChildren(...sheet.head.faces.map((face) => make(
      "button",
      {
        type: "button", "aria-pressed": String(face === step.face),
        onclick: () => choose(step.code, face),
      },
      faceWord(face), item.grades[face] ? ": " : "", own(item.grades[face] || ""),
    )));
    by("grades").hidden = panel !== "";
    by("missing").hidden = panel !== "missing";
    by("more").hidden = panel !== "more";
    by("to-missing").setAttribute("aria-expanded", String(panel === "missing"));
    by("to-more").setAttribute("aria-expanded", String(panel === "more"));
    for (const button of by("grades").children) {
      button.setAttribute("aria-pressed", String(button.value === item.grades[step.face]));
    }
    for (const name of ["rise_mm", "photo", "notes"]) {
      const field = by(name);
      if (field !== page.activeElement) field.value = item[/** @type {"notes"} */ (name)];
    }
  }

  /** Change the item in hand and go on.
   * @param {(item: Item) => void} change @param {boolean} goOn */
  function enter(change, goOn) {
    if (!now) return;
    const items = sheet.entries("item");
    const item = items[now.code] || emptyItem();
    change(item);
    sheet.put("item", now.code, item);
    if (goOn) {
      leaveField();
      panel = "";
      now = nextStep(steps(), sheet.entries("item"), now);
    }
    drawGrading();
    if (goOn && !now) by("done").querySelector("button:not([hidden])").focus();
  }

  /** When and with what the last grade was tapped: a thumb that bounces grades once. */
  let tapped = { name: "", time: -Infinity };

  /** @param {string} name */
  function grade(name) {
    const step = now;
    if (!step) return;
    const time = performance.now();
    const bounced = name === tapped.name && time - tapped.time < BOUNCE;
    tapped = { name, time };
    if (bounced) return tell("Tapped twice in one moment: taken once.");
    enter((item) => {
      item.missing = "";
      item.grades[step.face] = name;
    }, true);
    const after = now ? `Now code ${now.code}, ${faceWord(now.face)}.` : `Tray ${tray + 1} is done.`;
    tell(`Code ${step.code}, ${faceWord(step.face)}: ${name}. ${after}`);
  }

  /** @param {string} reason */
  function lose(reason) {
    const text = cleanText(reason);
    const step = now;
    if (!text || !step) return;
    enter((item) => {
      item.missing = text;
      item.grades = {};
    }, true);
    by("reason").value = "";
    tell(`Code ${step.code} is missing: ${text}. Its grades are left out; undo brings them back.`);
  }

  function undo() {
    const what = sheet.undo();
    if (!what) return;
    leaveField();
    const [kind, key] = what;
    if (kind === "item") {
      const at = trays().findIndex((own) => own.includes(key));
      if (at >= 0) tray = at;
      const item = sheet.entries("item")[key];
      now = { code: key, face: sheet.head.faces.find((face) => !item.grades[face]) || sheet.head.faces[0] };
      drawGrading();
      tell(`Undone. Now code ${key}.`);
    } else {
      drawTimes();
      tell(`Undone: bake ${key}.`);
    }
  }

  /** @param {number} step */
  function goTo(step) {
    leaveField();
    tray = Math.min(Math.max(tray + step, 0), trays().length - 1);
    now = nextStep(steps(), sheet.entries("item"), null);
    panel = "";
    drawGrading();
    say();
  }

  /** Keys for those who type: marks of grades, U to undo, arrows between cells.
   * @param {KeyboardEvent} event */
  function typed(event) {
    const field = /** @type {HTMLElement} */ (event.target);
    if (field.matches("input, textarea") || event.ctrlKey || event.metaKey || event.altKey) return;
    const asGrade = plan.grades.find((known) => known.mark === event.key);
    const move = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: rowLength(), ArrowUp: -rowLength() }[event.key];
    if (asGrade && panel === "" && now) grade(asGrade.name);
    else if (event.key === "u" || event.key === "U") undo();
    else if (move && field.closest("#tray")) {
      const at = codes().indexOf(field.closest("[data-code]")?.getAttribute("data-code") || "");
      const code = codes()[at + move];
      if (code !== undefined) choose(code);
    } else return;
    event.preventDefault();
  }

  function rowLength() {
    const tops = Array.from(by("tray").children, (child) => child.offsetTop);
    return tops.filter((top) => top === tops[0]).length;
  }

  // --- times ---

  function showTimes() {
    show("times");
    drawTimes();
  }

  function drawTimes() {
    const bakes = sheet.entries("bake");
    by("times-who").replaceChildren(`${nameOf(sheet.head)}, `, own(sheet.head.person));
    const typing = page.activeElement?.id || "";
    by("bakes").replaceChildren(...session().bakes.map((bake) => bakeCard(bake, bakes[bake])));
    if (typing.startsWith("note-") || typing.startsWith("load-")) by(typing)?.focus();
    by("undo-times").disabled = !(store.get(`${sheet.path}undo`) || []).length;
    by("unkept").hidden = store.keeps;
  }

  /** @param {number} bake @param {Bake | undefined} known */
  function bakeCard(bake, known) {
    const entry = known || { loaded_at: "", unloaded_at: "", notes: "" };
    const stamp = (/** @type {"loaded_at" | "unloaded_at"} */ name, /** @type {string} */ words) =>
      make(
        "button",
        {
          type: "button", id: `${name === "loaded_at" ? "load" : "unload"}-${bake}`,
          class: "stamp", disabled: Boolean(entry[name]) || (name === "unloaded_at" && !entry.loaded_at),
          onclick: () => stampNow(bake, name, words),
        },
        entry[name] ? `${words} ${entry[name].slice(11, 19)}` : words,
      );
    const notes = make("input", {
      id: `note-${bake}`, maxlength: "2000", autocomplete: "off", dir: "auto", value: entry.notes,
    });
    notes.addEventListener("input", () => note(bake, notes));
    return make(
      "li", { class: "bake" },
      make("h2", {}, `Bake ${bake}`, make("span", { class: "length", "data-bake": String(bake) }, lengthOf(entry))),
      make("div", { class: "two" }, stamp("loaded_at", "Loaded, lid shut"), stamp("unloaded_at", "Lid open to unload")),
      make("label", { for: `note-${bake}` }, "Anything odd"), notes,
    );
  }

  /** @param {number} bake @param {"loaded_at" | "unloaded_at"} name @param {string} words */
  function stampNow(bake, name, words) {
    const time = localTime(new Date());
    const loaded = sheet.entries("bake")[bake]?.loaded_at;
    const soon = name === "unloaded_at" && Date.parse(time) <= Date.parse(loaded);
    by("too-soon").hidden = !soon;
    if (soon) return;
    change(bake, name, time);
    tell(`Bake ${bake}: ${words} now.`);
  }

  /** @param {Bake | undefined} entry */
  function lengthOf(entry) {
    if (!entry?.loaded_at) return "";
    const end = entry.unloaded_at ? Date.parse(entry.unloaded_at) : Date.now();
    const seconds = Math.max(0, Math.round((end - Date.parse(entry.loaded_at)) / 1000));
    const clock = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    return entry.unloaded_at ? ` took ${clock} min` : ` in the pit ${clock} min`;
  }

  /** @param {number} bake @param {"loaded_at" | "unloaded_at" | "notes"} name
   * @param {string} value */
  function change(bake, name, value) {
    const entry = sheet.entries("bake")[bake] || { loaded_at: "", unloaded_at: "", notes: "" };
    sheet.put("bake", String(bake), { ...entry, [name]: value });
    drawTimes();
  }

  /** @param {number} bake @param {HTMLInputElement} field */
  function note(bake, field) {
    const entry = sheet.entries("bake")[bake] || { loaded_at: "", unloaded_at: "", notes: "" };
    sheet.write(`${sheet.path}bake/${bake}`, { ...entry, notes: cleanText(field.value) });
    by("unkept").hidden = store.keeps;
  }

  function tick() {
    if (by("times").hidden) return;
    const bakes = sheet.entries("bake");
    for (const place of page.querySelectorAll("[data-bake]")) {
      place.textContent = lengthOf(bakes[place.getAttribute("data-bake") || ""]);
    }
  }

  // --- handing out ---

  /** @type {{text: string, name: string}} */
  let out = { text: "", name: "" };

  function showOut() {
    const used = Sheet.all(store).filter((known) => known.used);
    const date = new Date();
    const content = contentOf(plan, used.map((known) => known.state()), localTime(date));
    const people = [...new Set(used.map((known) => known.head.person))];
    out = { text: fileText(content), name: fileName(plan.plan, people, date) };
    by("what").replaceChildren(...used.map((known) => make(
      "li", {}, own(known.head.person), `: ${nameOf(known.head)}, ${doneOf(known)}`,
    )));
    by("text").value = out.text;
    by("share").hidden = shareable() === null;
    show("handout");
    tell("");
  }

  /** The file as this phone's share sheet takes it, or null. */
  function shareable() {
    const kinds = [[out.name, "application/json"], [`${out.name}.txt`, "text/plain"]];
    const files = kinds.map(([name, type]) => new File([out.text], name, { type }));
    return files.find((file) => navigator.canShare?.({ files: [file] })) || null;
  }

  async function share() {
    const file = shareable();
    if (!file) return;
    try {
      await navigator.share({ files: [file] });
      tell("Handed to the share sheet.");
    } catch {
      tell("Not shared. Save the file, or copy the text.");
    }
  }

  function save() {
    const address = URL.createObjectURL(new Blob([out.text], { type: "application/json" }));
    const link = make("a", { href: address, download: out.name, hidden: true });
    page.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
    tell(`Saved as ${out.name}, in the folder of downloads.`);
  }

  async function copy() {
    const field = by("text");
    try {
      await navigator.clipboard.writeText(out.text);
      tell("Copied. Paste it into a message.");
    } catch {
      field.focus();
      field.select();
      const copied = page.execCommand("copy");
      tell(copied ? "Copied. Paste it into a message." : "The text is selected: copy it by hand.");
    }
  }

  // --- once ---

  plan.grades.forEach((known, step) => {
    const tone = make("span", { class: "tone" });
    tone.style.background = toneOf(step, plan.grades.length);
    const counts = known.counts && known.counts !== known.name ? `counts as ${known.counts}` : "";
    by("grades").append(make(
      "button", { type: "button", value: known.name, class: "grade", onclick: () => grade(known.name) },
      tone,
      make("b", {}, known.mark === known.name ? "" : `${known.mark} `, own(known.name)),
      make("small", {}, [known.look, counts].filter(Boolean).join("; ")),
    ));
  });
  by("grades").classList.toggle("many", plan.grades.length > 6);
  plan.reasons.forEach((reason) => by("reasons").append(
    make("button", { type: "button", onclick: () => lose(reason) }, reason),
  ));
  plan.sessions.forEach((known) => by("sessions").append(make(
    "label", { class: "choice" },
    make("input", {
      type: "radio", name: "session", value: String(known.number), checked: plan.sessions.length === 1,
    }),
    `session ${known.number}: ${known.trays.flat().length} items, ${known.bakes.length} bakes`,
  )));
  plan.faces.forEach((face) => by("which-faces").append(make(
    "label", { class: "choice" },
    make("input", { type: "checkbox", name: "face", value: face, checked: true }), faceWord(face),
  )));
  by("again").hidden = !plan.sessions.some((known) => known.again.length);
  by("new").addEventListener("change", () => {
    const timing = by("new").querySelector("[name=task]:checked")?.value === "times";
    by("of-grading").hidden = timing;
    const again = by("new").querySelector("[name=task]:checked")?.value === "second";
    for (const known of plan.sessions) {
      const radio = by("new").querySelector(`[name=session][value="${known.number}"]`);
      radio.disabled = again && !known.again.length;
      if (radio.disabled) radio.checked = false;
    }
  });
  by("new").addEventListener("submit", (/** @type {Event} */ event) => {
    event.preventDefault();
    begin();
  });
  for (const name of /** @type {const} */ (["rise_mm", "photo", "notes"])) {
    let before = ""; // one step of undo for everything typed without a break
    by(name).addEventListener("focus", () => { before = now ? now.code : ""; });
    by(name).addEventListener("input", () => {
      if (!now) return;
      const text = cleanText(by(name).value);
      const wrong = name === "rise_mm" && text !== "" && !/^\d{1,3}([.,]\d{1,2})?$/.test(text);
      by("rise-wrong").hidden = !wrong;
      if (wrong) return;
      if (before) {
        before = "";
        enter((item) => { item[name] = text; }, false);
      } else {
        const item = sheet.entries("item")[now.code] || emptyItem();
        sheet.write(`${sheet.path}item/${now.code}`, { ...item, [name]: text });
      }
    });
  }
  by("pick").addEventListener("change", () => {
    const picked = by("pick").files[0];
    if (picked) enter((item) => { item.photo = cleanText(picked.name); }, false);
  });
  const toggle = (/** @type {string} */ name) => () => {
    panel = panel === name ? "" : name;
    drawPanel(sheet.entries("item"));
    if (panel) by(panel).querySelector("button, input, textarea").focus();
  };
  /** @type {[string, () => void][]} */
  const taps = [
    ["undo", undo], ["undo-times", undo], ["to-missing", toggle("missing")], ["to-more", toggle("more")],
    ["close-more", toggle("more")],
    ["before", () => goTo(-1)], ["after", () => goTo(1)], ["next-tray", () => goTo(1)],
    ["menu", showStart], ["menu-times", showStart], ["menu-out", showStart],
    ["out", showOut], ["out-times", showOut], ["out-start", showOut], ["out-done", showOut],
    ["share", share], ["save", save], ["copy", copy],
  ];
  by("missing").addEventListener("submit", (/** @type {Event} */ event) => {
    event.preventDefault();
    lose(by("reason").value);
  });
  for (const [id, act] of taps) by(id).addEventListener("click", act);
  by("grading").addEventListener("keydown", typed);
  setInterval(tick, 1000);
  window.addEventListener("storage", (event) => {
    if (!event.key?.startsWith(store.prefix)) return;
    if (!by("grading").hidden && event.key.includes(`/${sheet.path}item/`)) drawGrading();
    if (!by("times").hidden && event.key.includes(`/${sheet.path}bake/`)) drawTimes();
  });
  // Leaving asks first where the browser keeps nothing.
  window.addEventListener("beforeunload", (event) => {
    if (store.memory.size) event.preventDefault();
  });

  const here = tab.get("here");
  const known = Sheet.all(store).find((kept) => kept.head.sheet === here?.sheet);
  if (!known || here.view === "start" || here.view === "handout") return showStart();
  sheet = known;
  if (here.view === "times") return showTimes();
  tray = trays()[here.tray] ? here.tray : 0;
  now = here.now && codes().includes(here.now.code) ? here.now : nextStep(steps(), sheet.entries("item"), null);
  showGrading();
}

if (typeof document === "undefined") {
  module.exports = {
    Sheet, Store, cleanText, contentOf, crc32, emptyItem, fileName, fileText, localTime, nextStep,
    stepsOf, toneOf,
  };
} else {
  run(document);
}
