// What the page asks of the service, and the stream of events that it follows.

const PATIENCE_MS = 8000;

export class Refused extends Error {}

export async function ask(path, options = {}) {
  const { within = PATIENCE_MS, ...rest } = options;
  const answer = await fetch(path, { ...rest, signal: AbortSignal.timeout(within) });
  // A good answer that was cut short is none: nothing may be read out of it.
  const body = await answer.json().catch((error) => { if (answer.ok) { throw error; } return {}; });
  if (!answer.ok) { throw new Refused(typeof body.detail === "string" ? body.detail : `the service answered ${answer.status}`); }
  return body;
}

export function post(path, body) {
  const options = { method: "POST" };
  if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers = { "content-type": "application/json" };
  }
  return ask(path, options);
}

const QUIET_MS = 12000;
const AGAIN_MS = 2000;

/**
 * Follow the service's events. `heard` gets (kind, facts); `linked` is told true whenever the stream has come
 * (back) and false when it is lost: the page then says that what it shows is old.
 */
export function follow(kinds, heard, linked) {
  let source = null;
  let last = Date.now();
  let up = null;

  function tell(now) {
    if (up !== now) { up = now; linked(now); }
  }

  function open() {
    source = new EventSource("/v1/events");
    source.onopen = () => { last = Date.now(); up = null; tell(true); };
    source.onerror = () => {
      tell(false);
      if (source.readyState === EventSource.CLOSED) { setTimeout(open, AGAIN_MS); }
    };
    for (const kind of kinds) {
      source.addEventListener(kind, (event) => {
        last = Date.now();
        tell(true);
        heard(kind, JSON.parse(event.data));
      });
    }
  }

  // A line that went dead without a word is found out by asking.
  async function check() {
    if (Date.now() - last < QUIET_MS || up === false) { return; }
    try {
      heard("status", await ask("/v1/status", { within: 5000 }));
      last = Date.now();
    } catch (error) {
      tell(false);
      source.close();
      setTimeout(open, AGAIN_MS);
    }
  }

  open();
  setInterval(check, 4000);
}
