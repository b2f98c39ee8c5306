// What is half done outlives the page, where the browser keeps anything at all: words, what they are for, a recording.

export const drafts = {
  get(key) {
    try { return localStorage.getItem(key) ?? ""; } catch { return ""; }
  },
  set(key, words) {
    try {
      if (words) localStorage.setItem(key, words);
      else localStorage.removeItem(key);
    } catch { /* full, or forbidden */ }
  },
};

const STORE = "recordings";

function opened() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open("drafts", 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE);
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function within(mode, act) {
  try {
    const database = await opened();
    return await new Promise((resolve, reject) => {
      const request = act(database.transaction(STORE, mode).objectStore(STORE));
      request.onsuccess = () => resolve(request.result ?? null);
      request.onerror = () => reject(request.error);
    }).finally(() => database.close());
  } catch {
    return null; // private windows keep none
  }
}

// Recordings that were not sent yet: {blob, file, settings} by key.
export const recordings = {
  get: (key) => within("readonly", (store) => store.get(key)),
  set: (key, recording) => within("readwrite", (store) => store.put(recording, key)),
  remove: (key) => within("readwrite", (store) => store.delete(key)),
};
