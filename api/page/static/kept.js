// Photographs and their answers kept in this browser (IndexedDB), so that a reload, Back or a restart loses none.

const NAME = "platekin";
const STORE = "photos";
let opened = null;

function database() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "id" });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  return opened;
}

async function run(mode, work) {
  const base = await database();
  return new Promise((resolve, reject) => {
    const turn = base.transaction(STORE, mode);
    const asked = work(turn.objectStore(STORE));
    turn.oncomplete = () => resolve(asked?.result);
    turn.onerror = turn.onabort = () => reject(turn.error);
  });
}

// one: {id, place, ...}; place: "identify", "listing" or "inbox" (dropped on another page). A full disk loses nothing shown.
export const keep = (one) => run("readwrite", (store) => store.put(one)).catch(() => {});
export const forget = (id) => run("readwrite", (store) => store.delete(id)).catch(() => {});

export async function keptAt(place) {
  try {
    const all = await run("readonly", (store) => store.getAll());
    return all.filter((one) => one.place === place).sort((a, b) => a.order - b.order);
  } catch {
    return []; // a private window may refuse: then a reload begins anew, as it says
  }
}

export const newId = () => `${Date.now().toString(36)}-${crypto.getRandomValues(new Uint32Array(1))[0].toString(36)}`;
