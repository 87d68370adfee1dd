// Photos that wait in this browser (IndexedDB): kept before they are sent, dropped when their answer is here.
//
// A note says what waits: { key, name, type, size, at, fields, group, state, said, reading, thumbnail, heldBy, heldUntil }. Its state is
// "waiting", "refused" (said: why) or "read" (reading: id of the answer). The photo's bytes lie apart, so that the
// list is short to load; as bytes, since a file from the camera may be gone when it is wanted.
"use strict";

window.kept = window.kept || (() => {
  const HOLD_MS = 20_000;
  const CHANGED = "rimlight-kept";
  let opening = null;

  // The same after a reload of this tab, another in another tab: what it holds and does not send is free again.
  const tab = sessionStorage.getItem("rimlight-tab") || crypto.getRandomValues(new Uint32Array(4)).join("-");
  sessionStorage.setItem("rimlight-tab", tab);
  const channel = "BroadcastChannel" in window ? new BroadcastChannel(CHANGED) : null;

  function open() {
    opening = opening || new Promise((resolve, reject) => {
      const request = indexedDB.open("rimlight-waiting", 1);
      request.onupgradeneeded = () => {
        request.result.createObjectStore("note", { keyPath: "key" });
        request.result.createObjectStore("bytes");
      };
      request.onsuccess = () => {
        request.result.onversionchange = () => { request.result.close(); opening = null; };
        resolve(request.result);
      };
      request.onerror = () => { opening = null; reject(request.error); };
    });
    return opening;
  }

  // Runs act(notes, bytes) in one transaction and gives what it set as `result` when all of it is on the disk.
  async function inOne(mode, act) {
    const database = await open();
    return new Promise((resolve, reject) => {
      const both = database.transaction(["note", "bytes"], mode);
      const outcome = { result: undefined };
      both.oncomplete = () => resolve(outcome.result);
      both.onabort = () => reject(both.error || new Error("This browser could not keep the photo."));
      act(both.objectStore("note"), both.objectStore("bytes"), outcome);
    });
  }

  function tell() {
    window.dispatchEvent(new Event(CHANGED));
    if (channel) channel.postMessage(null);
  }
  if (channel) channel.onmessage = () => window.dispatchEvent(new Event(CHANGED));

  const hold = () => ({ heldBy: tab, heldUntil: Date.now() + HOLD_MS });

  // Keeps a photo and holds it for the tab that is about to send it.
  async function add(file, key, fields, group) {
    const content = await file.arrayBuffer();
    const note = { key, name: file.name || "", type: file.type, size: file.size, at: Date.now(), fields: fields || {}, group: group || null,
      state: "waiting", said: "", reading: null, thumbnail: null, ...hold() };
    await inOne("readwrite", (notes, bytes) => {
      notes.put(note);
      bytes.put(content, key);
    });
    tell();
  }

  async function list() {
    const notes = await inOne("readonly", (all, _, outcome) => {
      all.getAll().onsuccess = (event) => { outcome.result = event.target.result; };
    });
    return notes.sort((a, b) => a.at - b.at);
  }

  async function find(key) {
    return inOne("readonly", (_, bytes, outcome) => {
      bytes.get(key).onsuccess = (event) => { outcome.result = event.target.result; };
    });
  }

  // Changes a note if it is still there; a "read" one needs its bytes no more.
  async function change(key, values) {
    await inOne("readwrite", (notes, bytes) => {
      notes.get(key).onsuccess = (event) => {
        const note = event.target.result;
        if (!note) return;
        notes.put({ ...note, ...values });
        if (values.state === "read") bytes.delete(key);
      };
    });
    tell();
  }

  async function drop(key) {
    await inOne("readwrite", (notes, bytes) => {
      notes.delete(key);
      bytes.delete(key);
    });
    tell();
  }

  async function putBack(note, content) {
    await inOne("readwrite", (notes, bytes) => {
      notes.put(note);
      if (content) bytes.put(content, note.key);
    });
    tell();
  }

  // The oldest photo that waits and that no other tab is sending, held for this one; null where there is none.
  async function takeNext(sendingHere) {
    return inOne("readwrite", (notes, _, outcome) => {
      outcome.result = null;
      notes.getAll().onsuccess = (event) => {
        const isFree = (note) => note.state === "waiting" && !sendingHere.has(note.key)
          && (note.heldBy === tab || note.heldUntil < Date.now());
        const [next] = event.target.result.filter(isFree).sort((a, b) => a.at - b.at);
        if (!next) return;
        outcome.result = { ...next, ...hold() };
        notes.put(outcome.result);
      };
    });
  }

  // While a photo is being sent the hold goes on; returns what ends it.
  function keepHolding(key) {
    const timer = setInterval(() => change(key, hold()).catch(() => {}), HOLD_MS / 4);
    return () => clearInterval(timer);
  }

  return { CHANGED, add, list, find, change, drop, putBack, takeNext, keepHolding };
})();
