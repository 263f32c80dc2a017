// A service that listens beyond its machine wants a token: asked for over the page, so that nothing on it is lost.

import { fill, h } from "./dom.js";

let asking = null;

export function signIn() {
  asking ??= dialog().finally(() => { asking = null; });
  return asking;
}

function dialog() {
  return new Promise((resolve) => {
    let isIn = false;
    const wrong = h("p", { class: "problem", role: "alert", hidden: true });
    const token = h("input", { type: "password", id: "token", autocomplete: "current-password", required: true });
    const form = h("form", { method: "dialog" },
      h("h2", { id: "sign-in" }, "Who is asking?"),
      h("p", {}, "This service wants a token, or yours has expired. Its owner makes one with platekin tokens make NAME. ",
        "What is on this page stays as it is."),
      h("label", { for: "token" }, "Token"), token, wrong,
      h("p", { class: "row" }, h("button", {}, "Sign in")));
    const box = h("dialog", { "aria-labelledby": "sign-in" }, form);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      try {
        const response = await fetch("/v1/session", {
          method: "POST", headers: { "Content-Type": "application/json" },
          body: JSON.stringify({ token: token.value.trim() }), credentials: "same-origin",
        });
        if (!response.ok) throw new Error((await response.json()).detail);
        isIn = true;
        box.close();
      } catch (error) {
        wrong.hidden = false;
        fill(wrong, error instanceof TypeError ? "The service does not answer. Try again." : error.message);
      }
    });
    // What asked is still waiting for it; a browser closes a dialog at the second Escape, whatever a page says.
    box.addEventListener("cancel", (event) => event.preventDefault());
    box.addEventListener("close", () => {
      if (!isIn) return void box.showModal();
      box.remove();
      resolve();
    });
    document.body.append(box);
    box.showModal();
  });
}
