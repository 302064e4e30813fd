// What is entered and not yet recorded outlives a lost connection and a new start of the server.
//
// While the connection is lost, and when the page is loaded anew because of it, the fields are
// written to the storage of this tab; the new page puts them back, those of a dialog when it is
// opened again. Nothing is written while the connection stands, and nothing is left when the tab is
// closed. What a page holds besides its fields it hands over with canalwrightKeep, and gets it back
// as the event "canalwright-kept".
(() => {
  const KEY = `canalwright-kept ${location.pathname}`;
  const LOOK_EVERY_MS = 300;
  const LOOK_FOR_MS = 30 * 60 * 1000;
  let lost = false;
  let state = null;
  let pending = [];
  let told = false;

  window.canalwrightKeep = (now) => {
    state = now;
    if (lost) write();
  };

  const text = (element) => (element?.textContent ?? "").trim();

  function place(element) {
    const dialog = element.closest(".q-dialog");
    return dialog ? text(dialog.querySelector("h1, h2")) || "dialog" : "";
  }

  function component(element) {
    try {
      return /^c\d+$/.test(element.id) ? getElement(Number(element.id.slice(1))) : null;
    } catch {
      return null;
    }
  }

  function fields() {
    const seen = new Map();
    const found = [];
    for (const field of document.querySelectorAll(".q-field, .q-checkbox")) {
      const one = described(field);
      if (!one) continue;
      const name = `${place(field)}\u0000${one.label}\u0000${one.kind}`;
      const number = seen.get(name) ?? 0;
      seen.set(name, number + 1);
      found.push({ ...one, place: place(field), key: `${name}\u0000${number}` });
    }
    return found;
  }

  function described(field) {
    if (field.classList.contains("q-checkbox")) {
      const on = () => field.getAttribute("aria-checked");
      return { kind: "box", label: text(field) || field.getAttribute("aria-label"), value: on(), set: () => field.click() };
    }
    const label = text(field.querySelector(".q-field__label")) || field.getAttribute("aria-label") || "";
    if (field.classList.contains("q-select")) return choice(field, label);
    const typed = field.querySelector("input:not([type=password]):not([type=file]), textarea");
    if (!typed) return null;
    return { kind: "text", label, value: typed.value, set: (value) => type(typed, value) };
  }

  function type(typed, value) {
    typed.value = value;
    typed.dispatchEvent(new Event("input", { bubbles: true }));
  }

  function choice(field, label) {
    const candidates = [field, ...field.querySelectorAll("[id]")];
    const vue = candidates.map(component).find((one) => one?.options !== undefined);
    if (!vue) return null;
    const now = vue.$attrs["model-value"] ?? vue.$attrs.modelValue ?? null;
    const several = Array.isArray(now);
    const names = (several ? now : now ? [now] : []).map((one) => one.label);
    const set = (wanted) => {
      const chosen = vue.options.filter((one) => wanted.includes(one.label));
      vue.$emit("update:model-value", several ? chosen : chosen[0] ?? null);
    };
    return { kind: "choice", label, value: JSON.stringify(names), set: (value) => set(JSON.parse(value)) };
  }

  function write() {
    const entered = fields().map(({ key, place, value }) => ({ key, place, value }));
    const keys = new Set(entered.map((one) => one.key));
    const rest = pending.filter((one) => !keys.has(one.key));
    sessionStorage.setItem(KEY, JSON.stringify({ fields: [...entered, ...rest], state }));
  }

  function putBack() {
    const present = new Map(fields().map((one) => [one.key, one]));
    let changed = 0;
    pending = pending.filter((one) => {
      const field = present.get(one.key);
      if (!field) return true;
      if (field.value !== one.value) {
        field.set(one.value);
        changed += 1;
      }
      return false;
    });
    if (changed && !told) tell();
  }

  function tell() {
    told = true;
    const dialogs = [...new Set(pending.map((one) => one.place).filter(Boolean))];
    const again = dialogs.length ? ` Open “${dialogs.join("”, “")}” again to find the rest.` : "";
    Quasar.Notify.create({
      message: `The connection was lost and is back. What you had entered is kept.${again}`,
      position: "top",
      timeout: 0,
      actions: [{ label: "OK", color: "white" }],
    });
  }

  function watch() {
    if (!window.socket) {
      setTimeout(watch, 50);
      return;
    }
    window.socket.on("disconnect", () => {
      lost = true;
      write();
    });
    window.socket.on("connect", () => setTimeout(() => {
      if (!lost || !window.did_handshake) return;
      lost = false;
      sessionStorage.removeItem(KEY);
    }, 0));
    giveBack();
  }

  function giveBack() {
    if (!window.did_handshake) {
      setTimeout(giveBack, 50);
      return;
    }
    const kept = JSON.parse(sessionStorage.getItem(KEY) ?? "null");
    sessionStorage.removeItem(KEY);
    if (!kept) return;
    pending = kept.fields;
    if (kept.state) {
      state = kept.state;
      emitEvent("canalwright-kept", kept.state);
    }
    const dialogs = pending.some((one) => one.place && one.value);
    if (dialogs || kept.state) tell();
    const timer = setInterval(() => {
      putBack();
      if (!pending.length) clearInterval(timer);
    }, LOOK_EVERY_MS);
    setTimeout(() => clearInterval(timer), LOOK_FOR_MS);
  }

  addEventListener("input", () => lost && write(), true);
  addEventListener("change", () => lost && write(), true);
  addEventListener("pagehide", () => lost && write());
  addEventListener("load", watch);
})();
