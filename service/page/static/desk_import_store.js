// The list of an import, kept in this browser (IndexedDB): a row for each photo, and the bytes of those not read yet.
//
// row: { key, name, at, state, said, reading, verdict, metal, worn, best, missing, motif, change }
// Its state is "waiting", "read", "refused" (said: why) or "confirmed" (change: what can be undone).
"use strict";

const importList = (() => {
  let opening = null;

  function open() {
    opening = opening || new Promise((resolve, reject) => {
      const request = indexedDB.open("rimlight-import", 1);
      request.onupgradeneeded = () => {
        request.result.createObjectStore("row", { keyPath: "key" });
        request.result.createObjectStore("bytes");
      };
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(new Error("This browser keeps no list for this page. Leave private mode, or free some space."));
    });
    return opening;
  }

  async function inOne(mode, act) {
    const database = await open();
    return new Promise((resolve, reject) => {
      const both = database.transaction(["row", "bytes"], mode);
      const request = act(both.objectStore("row"), both.objectStore("bytes"));
      both.oncomplete = () => resolve(request ? request.result : undefined);
      both.onabort = () => reject(both.error && both.error.name === "QuotaExceededError"
        ? new Error("This browser has no room for more photos. Let it read these first, then choose the folder again: what is read is skipped.")
        : both.error || new Error("This browser could not keep the list."));
    });
  }

  // A name for the bytes. Without a secure page there is no SHA-256 here: then two sums and the length must do.
  async function nameBytes(bytes) {
    if (window.crypto && crypto.subtle) {
      const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
      return Array.from(digest, (b) => b.toString(16).padStart(2, "0")).join("");
    }
    let one = 0x811c9dc5;
    let two = 0x1b873593;
    for (const byte of new Uint8Array(bytes)) {
      one = Math.imul(one ^ byte, 0x01000193);
      two = Math.imul(two + byte, 0x85ebca6b) ^ (two >>> 13);
    }
    return [one, two, bytes.byteLength].map((n) => (n >>> 0).toString(16)).join("-");
  }

  return {
    nameBytes,
    list: () => inOne("readonly", (rows) => rows.getAll()),
    add: (row, bytes, type) => inOne("readwrite", (rows, held) => { rows.put(row); held.put({ bytes, type }, row.key); }),
    put: (row, isDone) => inOne("readwrite", (rows, held) => { rows.put(row); if (isDone) held.delete(row.key); }),
    drop: (keys) => inOne("readwrite", (rows, held) => { for (const key of keys) { rows.delete(key); held.delete(key); } }),
    find: (key) => inOne("readonly", (rows) => rows.get(key)),
    bytesOf: (key) => inOne("readonly", (_, held) => held.get(key)),
  };
})();
