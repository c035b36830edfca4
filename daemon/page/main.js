// The bench page: five views of one service, chosen by the address after '#'.
import { el, say, swap } from "./make.js";
import { Model, paced } from "./model.js";
import { Schemes } from "./scheme.js";
import { tokenDialog } from "./token.js";
import { NowView } from "./view_now.js";
import { BringUpView } from "./view_bring_up.js";
import { BoardsView } from "./view_boards.js";
import { BoardView } from "./view_board.js";
import { QueueView } from "./view_queue.js";
import { BenchView } from "./view_bench.js";

const TITLES = { "now": "Now", "bring-up": "Bring-up", "boards": "Boards", "board": "Board", "queue": "Queue", "bench": "Bench" };
const AGAIN_MS = 3000;

const model = new Model();
const schemes = new Schemes(() => Object.values(views).forEach((v) => v.repaint?.()));
const views = {
  "now": new NowView(model), "bring-up": new BringUpView(model), "boards": new BoardsView(model), "board": new BoardView(model), "queue": new QueueView(model), "bench": new BenchView(model, schemes),
};
const main = document.getElementById("view");
const linkState = document.getElementById("link");
const banner = document.getElementById("banner");
let current = "";

function route() {
  const [name, argument] = decodeURIComponent(location.hash.slice(1)).split(/\/(.*)/s);
  const wanted = name in views ? name : "now";
  const first = current === "";
  if (wanted !== current) {
    current = wanted;
    main.replaceChildren(views[wanted].node);
    for (const a of document.querySelectorAll("nav a")) {
      const here = a.hash === `#${wanted}` || (wanted === "board" && a.hash === "#boards");
      if (here) a.setAttribute("aria-current", "page");
      else a.removeAttribute("aria-current");
    }
    if (!first) main.focus({ preventScroll: true });
    scrollTo(0, 0);
  }
  views[wanted].enter(argument);
  frame();
}

const LINKS = { live: "live", lost: "no connection", opening: "connecting" };

function frame() {
  say(linkState, LINKS[model.link]);
  linkState.className = model.link;
  const share = model.underWay && model.progress?.planned ? `${Math.floor((100 * model.progress.done) / model.progress.planned)} % ${model.run.board} \u2013 ` : "";
  document.title = `${share}${TITLES[current]} \u2013 Nightbench`;
  banners();
}

let bannerKey = "";
function banners() {
  const parts = [];
  if (model.link === "lost") parts.push(["The service does not answer; the page goes on by itself when it does.", null]);
  if (model.trouble) parts.push([`The bench cannot be opened: ${model.trouble}`, "#bench"]);
  if (model.question && current !== "bring-up") parts.push([`A question waits: ${model.question.title}`, "#bring-up"]);
  const key = JSON.stringify(parts);
  if (key === bannerKey) return;
  bannerKey = key;
  swap(banner, parts.map(([text, href]) => el("p", {}, href ? el("a", { href, key: href }, text) : text)));
}

const wake = paced(() => {
  frame();
  views[current].changed();
}, 60);
model.addEventListener("change", wake);

async function begin() {
  try {
    await model.begin();
  } catch (error) {
    if (error.status === 401) return; // the dialog begins anew
    model.set({ link: "lost" });
    setTimeout(begin, AGAIN_MS);
  }
}

document.body.append(tokenDialog(() => {
  begin();
  route();
}));
document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault(); // the address names the view
  main.focus();
});
addEventListener("hashchange", route);
route();
begin();
