// What was typed and not yet sent: kept for this window until it is sent, also through a reload.

export function draft(name) {
  const key = `platekin-draft-${name}`;
  return {
    read: () => JSON.parse(sessionStorage.getItem(key) ?? "null"),
    keep: (values) => sessionStorage.setItem(key, JSON.stringify(values)),
    forget: () => sessionStorage.removeItem(key),
  };
}
