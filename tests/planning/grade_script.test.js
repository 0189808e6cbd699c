"use strict";
// Run by node: node --test tests/planning/grade_script.test.js
const assert = require("node:assert/strict");
const path = require("node:path");
const test = require("node:test");

const script = path.join(__dirname, "../../pitstats/planning/templates/grade.js");
const {
  Sheet, Store, cleanText, contentOf, crc32, emptyItem, fileName, fileText, localTime, nextStep,
  stepsOf, toneOf,
} = require(script);

class FakeStorage {
  constructor(room = Infinity) {
    this.map = new Map();
    this.room = room;
  }
  get length() { return this.map.size; }
  key(k) { return [...this.map.keys()][k]; }
  getItem(key) { return this.map.has(key) ? this.map.get(key) : null; }
  removeItem(key) { this.map.delete(key); }
  setItem(key, value) {
    if (this.map.size >= this.room && !this.map.has(key)) throw new Error("full");
    this.map.set(key, value);
  }
}

const head = { kind: "first", person: "Ann", session: 1, blind: true, faces: ["top"], begun: "1" };

test("the sum is the CRC-32 of the standard's example", () => {
  assert.equal(crc32(new TextEncoder().encode("123456789")), "cbf43926");
  assert.equal(crc32(new Uint8Array()), "00000000");
});

test("texts lose only what no study can keep", () => {
  assert.equal(cleanText("  a\r\nb\u0000\u0007 "), "a\nb");
  assert.equal(cleanText("\u202eabc\u202c 🔥 =1+1\u0085"), "abc 🔥 =1+1");
  assert.equal(cleanText("a\u200db 👩\u200d🍳 \u06a9\u200c\u06a9"), "ab 👩\u200d🍳 \u06a9\u200c\u06a9");
  assert.equal(cleanText("x\ud83dy"), "xy");
  assert.equal(cleanText("\ufeff\u00a0\u3000"), "");
});

test("clock times hold the offset of the place", () => {
  const text = localTime(new Date(2026, 4, 2, 7, 8, 9));
  assert.match(text, /^2026-05-02T07:08:09[+-]\d\d:\d\d$/);
  assert.equal(Date.parse(text), new Date(2026, 4, 2, 7, 8, 9).getTime());
});

test("steps go item by item or face by face", () => {
  const codes = (steps) => steps.map(({ code, face }) => code + face).join(" ");
  assert.equal(codes(stepsOf(["1", "2"], ["t", "b"], false)), "1t 1b 2t 2b");
  assert.equal(codes(stepsOf(["1", "2"], ["t", "b"], true)), "1t 2t 1b 2b");
});

test("the next step is the next open face, then the first one left", () => {
  const steps = stepsOf(["1", "2", "3"], ["t"], false);
  const graded = { ...emptyItem(), grades: { t: "dark" } };
  const gone = { ...emptyItem(), missing: "fallen" };
  assert.deepEqual(nextStep(steps, {}, null), steps[0]);
  assert.deepEqual(nextStep(steps, { 1: graded, 2: gone }, steps[0]), steps[2]);
  assert.deepEqual(nextStep(steps, { 3: graded }, steps[2]), steps[0]);
  assert.equal(nextStep(steps, { 1: graded, 2: gone, 3: graded }, steps[2]), null);
});

test("every entry is kept at once and undone one by one", () => {
  const store = new Store(() => new FakeStorage(), "p/");
  const sheet = Sheet.begin(store, head, "sabc1234");
  sheet.put("item", "7", { ...emptyItem(), grades: { top: "dark" } });
  sheet.put("item", "7", { ...emptyItem(), grades: { top: "raw" } });
  assert.equal(sheet.entries("item")["7"].grades.top, "raw");
  assert.deepEqual(sheet.undo(), ["item", "7"]);
  assert.equal(sheet.entries("item")["7"].grades.top, "dark");
  sheet.undo();
  assert.deepEqual(sheet.entries("item")["7"], emptyItem());
  assert.equal(sheet.undo(), null);
  assert.equal(sheet.changes, 4);
  assert.equal(Sheet.all(store).length, 1);
});

test("a code may have any name", () => {
  const store = new Store(() => new FakeStorage(), "p/");
  const sheet = Sheet.begin(store, head, "sabc1234");
  assert.equal(sheet.entries("item").__proto__, undefined);
  sheet.put("item", "__proto__", { ...emptyItem(), grades: { top: "raw" } });
  sheet.put("item", "a/b", { ...emptyItem(), missing: "torn" });
  const { sheets } = contentOf({ plan: "p", faces: ["top"] }, [sheet.state()], "t");
  assert.deepEqual(sheets[0].items.map((item) => item.code), ["__proto__", "a/b"]);
});

test("plans and sheets never see each other's entries", () => {
  const storage = new FakeStorage();
  const [one, two] = ["p1/", "p2/"].map((prefix) => new Store(() => storage, prefix));
  const [a, b] = ["saaaaaaa", "sbbbbbbb"].map((id) => Sheet.begin(one, head, id));
  a.put("item", "1", { ...emptyItem(), missing: "torn" });
  assert.deepEqual(Object.keys(b.entries("item")), []);
  assert.equal(Sheet.all(two).length, 0);
  assert.equal(Sheet.all(one).length, 2);
});

test("a storage that refuses or fills up loses nothing of what was entered", () => {
  const refused = new Store(() => { throw new Error("SecurityError"); }, "p/");
  const full = new Store(() => new FakeStorage(3), "p/");
  assert.equal(full.keeps, true);
  for (const store of [refused, full]) {
    const sheet = Sheet.begin(store, head, "sabc1234");
    for (const code of ["1", "2", "3"]) {
      sheet.put("item", code, { ...emptyItem(), missing: code });
    }
    assert.deepEqual(Object.keys(sheet.entries("item")), ["1", "2", "3"]);
    assert.equal(store.keeps, false);
    assert.equal(sheet.changes, 3);
  }
});

test("the file is JSON whose last key is its sum", () => {
  const content = { format: "pitstats grades", text: "é \u2028 🔥 \"'\\ \n" };
  const found = JSON.parse(fileText(content));
  assert.deepEqual(Object.keys(found), ["format", "text", "sum"]);
  assert.equal(found.sum, crc32(new TextEncoder().encode(JSON.stringify(content))));
});

test("file names are plain whatever people are called", () => {
  const name = fileName("abcdef0123", ["Ann / Bo", "🔥", "../x"], new Date(2026, 4, 2, 7, 8));
  assert.equal(name, "grades_abcdef_AnnBo_x_20260502_0708.json");
});

test("tones run from pale to black without going back", () => {
  const light = (tone) => tone.match(/\d+/g).reduce((sum, part) => sum + Number(part), 0);
  for (const count of [2, 5, 14]) {
    const tones = Array.from({ length: count }, (_, k) => light(toneOf(k, count)));
    assert.deepEqual(tones, [...tones].sort((a, b) => b - a));
  }
});
