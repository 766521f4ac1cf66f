// The link to the recorder: its stream of how things stand, its clock, and acts.
// A page that hears nothing says so at once and shows no time: an old clock is worse than none.

const QUIET_MS = 1500; // silent for so long, the link is lost
const AGAIN_MS = 300; // from a lost link to the next try
const LARGEST = 1 << 20; // characters of one message
const SAMPLES = 8;
const KEPT = "earmark-token";

// The token comes behind the # of the link, which no server and no log sees, and stays in this tab.
function token() {
  const given = location.hash.slice(1);
  if (/^[0-9a-f]{32}$/.test(given)) {
    sessionStorage.setItem(KEPT, given);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(KEPT);
}
token();
addEventListener("hashchange", () => location.reload());

const headers = () => (token() ? { authorization: `Bearer ${token()}` } : {});
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

/// The recorder's clock: of the last few tellings the one that was least on its way.
export class Clock {
  #ahead = [];

  hear(now) {
    this.#ahead.push(now - performance.now());
    if (this.#ahead.length > SAMPLES) this.#ahead.shift();
  }

  /// Milliseconds since the log was opened; null while that is not known.
  now() {
    return this.#ahead.length ? performance.now() + Math.max(...this.#ahead) : null;
  }

  forget() {
    this.#ahead = [];
  }
}

/// Follows a stream for ever. `heard(kind, data)` for each message, `lost(why)` when there is no link:
/// "lost", or "token" when the page's link does not do.
export async function follow(path, heard, lost) {
  for (;;) {
    const stop = new AbortController();
    let last = performance.now();
    const watch = setInterval(() => performance.now() - last > QUIET_MS && stop.abort(), 100);
    let why = "lost";
    try {
      const answer = await fetch(path, { headers: headers(), cache: "no-store", signal: stop.signal });
      if (answer.status === 401) why = "token";
      if (answer.ok) {
        for await (const [kind, data] of messages(answer.body)) {
          last = performance.now();
          heard(kind, data);
        }
      }
    } catch (error) {
      if (!(error instanceof TypeError || error.name === "AbortError")) console.error(error);
    }
    clearInterval(watch);
    stop.abort();
    lost(why);
    await pause(AGAIN_MS);
  }
}

async function* messages(body) {
  const reader = body.pipeThrough(new TextDecoderStream()).getReader();
  let text = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    text += value;
    if (text.length > LARGEST) throw new Error("a message is too long");
    const whole = text.split("\n\n");
    text = whole.pop();
    for (const message of whole) {
      const lines = message.split("\n");
      const field = (name) => lines.find((line) => line.startsWith(name))?.slice(name.length);
      const data = field("data: ");
      if (data) yield [field("event: "), JSON.parse(data)];
    }
  }
}

/// Asks the recorder for an act; gives what became of it: { done, why }.
export async function act(what) {
  try {
    const answer = await fetch("/act", {
      method: "POST",
      headers: { ...headers(), "content-type": "application/json" },
      body: JSON.stringify(what),
      cache: "no-store",
      signal: AbortSignal.timeout(6000),
    });
    if (answer.status === 401) {
      return { done: false, why: "this page may not act: open the scribe's link that the recorder shows now" };
    }
    return { done: answer.ok, why: answer.ok ? "" : (await answer.text()).trim() };
  } catch {
    return { done: false, why: "the recorder cannot be reached" };
  }
}
