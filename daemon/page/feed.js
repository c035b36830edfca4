// The service's events as they come. The browser comes back by itself and says what it has seen last.

const NAMES = ["phase", "queue", "run-started", "point", "reading", "trace", "note", "question", "answered", "finished"];
const AGAIN_MS = 3000;

// take(name, data) for each event; link("live" | "lost") when the connection changes; anew() when events
// were missed or the connection is back: what is known has to be asked for again, and its last event given.
export function follow(after, { take, link, anew }) {
  let source = null;
  let wasLost = false;
  let timer = 0;
  let closed = false;

  function open(from) {
    source = new EventSource(`/v1/events?after=${from}`);
    source.onopen = () => {
      link("live");
      if (wasLost) restart();
      wasLost = false;
    };
    source.onerror = () => {
      wasLost = true;
      link("lost");
      if (source.readyState !== EventSource.CLOSED) return;
      clearTimeout(timer);
      timer = setTimeout(restart, AGAIN_MS);
    };
    source.addEventListener("gap", restart);
    for (const name of NAMES) source.addEventListener(name, (event) => take(name, JSON.parse(event.data)));
  }

  async function restart() {
    source.close();
    try {
      const from = await anew();
      if (!closed) open(from);
    } catch {
      link("lost");
      wasLost = false;
      clearTimeout(timer);
      timer = setTimeout(restart, AGAIN_MS);
    }
  }

  open(after);
  return () => {
    closed = true;
    clearTimeout(timer);
    source.close();
  };
}
