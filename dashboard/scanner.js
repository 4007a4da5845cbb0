// The field of a scanner: it is emptied by the browser at once, never by an answer.
//
// Each scan is numbered and waits in a queue that outlives a reload. The server
// answers by number, so that a scan which is sent again is not taken again.

const KEPT = "holdpoint scans ";
const TOGETHER = 8; // scans sent at once
const AGAIN_MS = 6000; // after so long without an answer they are sent again
const TRIES = 20; // then, after two minutes, the scan is given up, and that is said
const SAID_AFTER_MS = 1500; // a queue that is shorter lived is not worth a word

const fields = new Map();

function token() {
  const drawn = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(drawn, (one) => one.toString(16).padStart(2, "0")).join("");
}

function fieldNamed(name) {
  if (!fields.has(name)) {
    let queue = [];
    try {
      const kept = JSON.parse(sessionStorage.getItem(KEPT + name));
      queue = kept?.queue ?? [];
      // The page that is loaded now knows nothing of what they were scanned for.
      queue.forEach((one) => (one.context ??= kept.context));
    } catch {
      // No storage: what waits does not outlive a reload.
    }
    // A name of its own for each time that the page is loaded: a tab that was
    // duplicated must not number its scans like the other.
    const field = {
      name, queue, line: token(), next: 1, sent: [], tries: 0,
      played: new Set(), given_up: [], sounds: {}, inputs: new WeakSet(),
    };
    fields.set(name, field);
    listen(field);
  }
  return fields.get(name);
}

const idOf = (scan) => `${scan.line} ${scan.number}`;

function keep(field) {
  try {
    const { queue, context } = field;
    sessionStorage.setItem(KEPT + field.name, JSON.stringify({ queue, context }));
  } catch {
    // As above.
  }
}

function take(field, text) {
  const serial = text.trim();
  if (serial === "") return;
  field.queue.push({
    line: field.line, number: field.next, text: serial, context: null,
    at: Date.now(),
  });
  field.next += 1;
  keep(field);
  send(field);
}

function send(field) {
  if (field.sent.length > 0 || field.queue.length === 0) return;
  const scans = field.queue.slice(0, TOGETHER);
  field.sent = scans.map(idOf);
  clearTimeout(field.timer);
  field.timer = setTimeout(() => again(field), AGAIN_MS);
  field.trigger("scans", scans.map(({ line, number, text, context }) => ({
    line, number, text, context,
  })));
}

function again(field) {
  field.tries += 1;
  if (field.tries >= TRIES) {
    const lost = field.queue.filter((one) => field.sent.includes(idOf(one)));
    field.given_up.push(...lost.map((one) => one.text));
    field.queue = field.queue.filter((one) => !lost.includes(one));
    field.tries = 0;
    keep(field);
  }
  field.sent = [];
  say(field);
  send(field);
}

function hear(field, answered) {
  const known = new Map(answered.map((one) => [`${one.line} ${one.number}`, one.sound]));
  const news = [...known.keys()].filter((id) => !field.played.has(id));
  if (news.length === 0) return;
  news.forEach((id) => field.played.add(id));
  field.queue = field.queue.filter((one) => !known.has(idOf(one)));
  keep(field);
  const sounds = news.map((id) => known.get(id)).filter((one) => one in field.sounds);
  if (sounds.length > 0) {
    // What was scanned together sounds once: bad news before good.
    const sound = Object.keys(field.sounds).find((one) => sounds.includes(one));
    field.sounds[sound].currentTime = 0;
    field.sounds[sound].play().catch(() => {});
  }
  if (!field.sent.some((id) => field.queue.some((one) => idOf(one) === id))) {
    field.sent = [];
    field.tries = 0;
    clearTimeout(field.timer);
    send(field);
  }
}

function say(field) {
  const late = field.queue.filter((one) => Date.now() - one.at > SAID_AFTER_MS).length;
  const said = [];
  if (late > 0) said.push(field.words.waiting.replace("{}", late));
  if (field.given_up.length > 0)
    said.push(field.words.given_up.replace("{}", field.given_up.join(", ")));
  const text = said.join(" ");
  if (field.status.textContent !== text) field.status.textContent = text;
}

const typing = (one) =>
  one !== null &&
  (one.isContentEditable || one.matches("input:not([type=checkbox]):not([type=radio])") ||
    one.matches("textarea, select"));

function focused() {
  const outer = document.activeElement;
  return outer?.shadowRoot?.activeElement ?? outer;
}

// Whether a key is a letter of what is typed; with AltGr it is one, with Alt none.
const shortcut = (event) =>
  (event.ctrlKey || event.metaKey || event.altKey) && !event.getModifierState("AltGraph");

// The letter is put in at its key, never left to the browser: that would put it where
// the focus is a moment later, and drawing the page moves this field, so that the focus
// is nowhere for a while. A field that is out of the page keeps its letters too.
function put(field, letter, where) {
  const { input } = field;
  const end = input.value.length;
  const here = where === input;
  input.setRangeText(
    letter, here ? input.selectionStart : end, here ? input.selectionEnd : end, "end",
  );
}

// Heard for as long as the page is loaded: while the page is drawn anew nobody would
// listen else, and the letters of that moment would be lost.
function listen(field) {
  const there = () => field.input?.isConnected;
  const begun = (event) => {
    if (event.isComposing || shortcut(event)) return;
    if (!there() && location.pathname !== field.path) return;
    const focus = focused();
    const ours = field.inputs.has(focus); // one that is drawn no more may have it yet
    const nowhere = focus === null || focus === document.body;
    if (!ours && typing(focus)) return;
    if (event.key === "Enter") {
      // While the page is drawn anew the focus is not where the letters went: an Enter
      // that is lost then would join two scans.
      if (ours || ((nowhere || !there()) && field.input.value !== "")) {
        event.stopPropagation();
        entered(field, event);
      }
      return;
    }
    if (ours) event.stopPropagation(); // no letter of a serial is a shortcut of the page
    if (event.key.length !== 1) return;
    // A scanner types wherever the focus is: where nothing takes letters, the field
    // does. A blank presses buttons and turns pages; only within a serial it is a letter.
    if (event.key === " " && !ours && !(nowhere && field.input.value !== "")) return;
    event.stopPropagation();
    event.preventDefault();
    put(field, event.key, focus);
    if (focus !== field.input) field.input.focus();
  };
  // After an order was typed the next letters are a serial.
  const ended = (event) => {
    const one = event.target;
    if (there() && field.follows && event.key === "Enter" &&
        one instanceof HTMLInputElement && one.type === "text" &&
        one.getAttribute("role") !== "combobox")
      setTimeout(() => there() && field.input.focus());
  };
  // Once another order is typed, what still waits was scanned for the one before.
  const typed = (event) => {
    if (!there() || event.composedPath().includes(field.input)) return;
    field.queue.forEach((one) => (one.context ??= field.context));
  };
  document.addEventListener("input", typed, true);
  document.addEventListener("keydown", begun, true);
  document.addEventListener("keyup", ended, true);
  setInterval(() => there() && say(field), 500);
}

function entered(field, event) {
  event.preventDefault();
  field.given_up = [];
  take(field, field.input.value);
  field.input.value = "";
  say(field);
}

export default function ({ data, parentElement, setTriggerValue }) {
  const field = fieldNamed(data.name);
  const input = parentElement.querySelector("input");
  field.trigger = setTriggerValue;
  field.context = data.context;
  keep(field);
  field.words = data.words;
  field.status = parentElement.querySelector("[role=status]");
  for (const [name, url] of Object.entries(data.sounds ?? {}))
    field.sounds[name] ??= new Audio(url);
  parentElement.querySelector(".label").textContent = data.label;
  input.placeholder = data.placeholder;

  input.onpaste = (event) => {
    const lines = event.clipboardData.getData("text").split(/\r\n|\r|\n/);
    if (lines.length < 2) return;
    event.preventDefault();
    const last = lines.pop();
    lines.forEach((one, place) => take(field, place === 0 ? input.value + one : one));
    input.value = last;
  };

  if (field.input !== input) {
    // Another element than before: it goes on with the letters that the old one had.
    if (field.input !== undefined) input.value = field.input.value + input.value;
    field.inputs.add(input);
  }
  const before = focused();
  field.input = input;
  field.path = location.pathname;
  field.follows = data.follows;
  if (field.inputs.has(before) || !typing(before)) input.focus({ preventScroll: true });
  say(field);
  hear(field, data.answered);
  send(field);
}
