// What was typed and not yet sent: kept in this browser until it is sent, through a reload, a restart, another window.

export function draft(name) {
  const key = `platekin-draft-${name}`;
  return {
    read: () => JSON.parse(localStorage.getItem(key) ?? "null"),
    keep: (values) => localStorage.setItem(key, JSON.stringify(values)),
    forget: () => localStorage.removeItem(key),
  };
}
