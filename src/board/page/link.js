// The link to the recorder: its stream of how things stand, its clock, and acts.
// A page that hears nothing says so at once and shows no time: an old clock is worse than none.

const QUIET_MS = 1500; // silent for so long, the link is lost
const AGAIN_MS = 300; // from a lost link to the next try
const LARGEST = 1 << 20; // characters of one message
const SAMPLES = 8;
const KEPT = "earmark-token";
const TRIES = 3; // of one act
const TRY_MS = 6000; // longer than the recorder takes to say that it has no answer
const GIVE_UP_MS = 9000; // from an act's begin; no other try after that

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

let run = null; // which start of the recorder is followed

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
          if (kind === "face") run = data.face.run;
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

// The same for each try of one act, so that the recorder does it once.
function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return `${run}/${Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("")}`;
}

/// Asks the recorder for an act, again if the link is lost meanwhile; gives what became of it: { done, why }.
export async function act(what) {
  const sent = {
    method: "POST",
    headers: { ...headers(), "content-type": "application/json", "idempotency-key": newId() },
    body: JSON.stringify(what),
    cache: "no-store",
  };
  const end = performance.now() + GIVE_UP_MS;
  for (let tries = 1; ; tries++) {
    try {
      const answer = await fetch("/act", { ...sent, signal: AbortSignal.timeout(TRY_MS) });
      if (answer.status === 401) {
        return { done: false, why: "this page may not act: open the scribe's link that the recorder shows now" };
      }
      return { done: answer.ok, why: answer.ok ? "" : (await answer.text()).trim() };
    } catch {
      if (tries === TRIES || performance.now() > end) {
        return { done: false, why: "the recorder cannot be reached: look at the list before you ask again" };
      }
      await pause(AGAIN_MS);
    }
  }
}
