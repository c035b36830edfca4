// Where the service wants a token: asks for it once and opens a session, whose cookie no script can read.
import { el, say } from "./make.js";
import { post, whenTokenIsWanted } from "./service.js";

export function tokenDialog(opened) {
  const input = el("input", { id: "token", type: "password", autocomplete: "current-password", required: true });
  const said = el("p", { role: "alert" });
  const dialog = el("dialog", { "aria-labelledby": "token-title" },
    el("form", { method: "dialog", on: { submit: (e) => send(e) } }, el("h2", { id: "token-title" }, "Token"),
      el("p", {}, "This service is reached from other machines; it wants the token of its configuration file."),
      el("p", {}, el("label", { for: "token" }, "Token"), input), said, el("button", { type: "submit", class: "first" }, "Open")));
  async function send(event) {
    event.preventDefault();
    try {
      await post("/v1/session", { token: input.value });
      input.value = "";
      say(said, "");
      dialog.close();
      opened();
    } catch (error) {
      say(said, error.message);
    }
  }
  whenTokenIsWanted(() => {
    if (!dialog.open) dialog.showModal();
  });
  return dialog;
}
