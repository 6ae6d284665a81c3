// Questions before something is done, what is asked of the page's program, and the line with its answer.
"use strict";

const $ = (id) => document.getElementById(id);
const csrf = document.querySelector('meta[name="csrf"]').content;
const ANSWER_MS = 8000; // the program answers within 6 s, also when the daemon does not
const KEPT_MS = 60000; // an answer stays no longer than it is true
const STEADY_MS = 500; // the second tap of a double tap was not meant for the question
const SHOWN_MS = 1000; // until the page shows what a tap changed, and a thumb sees what came under it
const RESULTS = { accepted: "accepted", refused: "refused", unsent: "not sent", silent: "no answer" };
const BY_HAND = "Shut both vents by hand.";
let ahead = null, underWay = 0, out = false, fading = 0, steadying = 0;

// --- the program's clock -------------------------------------------------------------------------

// What is told of it can only come late: the most of all is nearest. anew: a stream begins, maybe after a sleep.
function hearClock(clock_s, anew = false) {
  const told = clock_s - performance.now() / 1000;
  ahead = ahead === null || anew ? told : Math.max(ahead, told);
}

// --- the answer ----------------------------------------------------------------------------------

function say(text, { stays = false, again = false } = {}) {
  put($("reply"), text);
  put($("reply-time"), text ? clock(Date.now() / 1000) : "");
  $("again").hidden = !again;
  $("answer").scrollTop = 0;
  clearTimeout(fading);
  if (text && !stays) fading = setTimeout(() => say(""), KEPT_MS);
}

// The session is over. The login waits for an open question, a command under way and an answer to be read.
function leave() {
  out = true;
  if (!$("confirm").open && !underWay && $("again").hidden) location.assign("/login");
}

// --- asking --------------------------------------------------------------------------------------

// One deed of a button at a time; it rests after one, unless that was false: nothing done. It keeps the focus,
// which `disabled` would take away.
async function once(button, deed, rest_ms = 0) {
  if (button.getAttribute("aria-disabled") === "true") return;
  button.setAttribute("aria-disabled", "true");
  let rest = rest_ms;
  try { if (await deed() === false) rest = 0; } finally { setTimeout(() => button.removeAttribute("aria-disabled"), rest); }
}

async function send(kind, fields, label) {
  const snuff = kind === "snuff", gone = new AbortController();
  const asked = ahead === null ? "" : (ahead + performance.now() / 1000).toFixed(2);
  let said, again = false, done = false;
  if (out) window.stop(); // the login is on its way, and must not take the answer with it
  underWay += 1;
  say(`${label}: asking…`, { stays: true });
  if (snuff) pause(); // a browser has few connections to one place, and streams may hold them all
  const patience = setTimeout(() => gone.abort(), ANSWER_MS);
  try {
    const answer = await fetch(kind === "logout" ? "/logout" : `/command/${kind}`, {
      method: "POST", headers: { "Content-Type": "application/json", "X-CSRF": csrf, "X-Asked": asked },
      body: JSON.stringify(fields), signal: gone.signal,
    });
    again = answer.status === 401;
    const { result, reason } = again ? { result: "unsent", reason: "log in again" } : await answer.json();
    done = result === "accepted";
    said = `${label}: ${RESULTS[result] ?? result}${reason ? ` – ${reason}` : ""}`;
  } catch {
    said = gone.signal.aborted ? `${label}: no answer` : `${label}: not sent – the page's program is not reached`;
  }
  clearTimeout(patience);
  underWay -= 1;
  if (snuff) open();
  if (snuff && !done) said = `${BY_HAND} ${said}`; // first what to do: a small screen has few lines
  say(said, { stays: again || (snuff && !done), again });
  if (again || out) leave();
}

// --- questions -----------------------------------------------------------------------------------

function number(text) { const v = Number(text.trim().replace(",", ".")); return text.trim() && Number.isFinite(v) ? v : null; }

// A question before something is done. Resolves to null (go back) or {amount, tick}.
function confirm({ title, text, yes, amount = null, option = "", end = false }) {
  const dialog = $("confirm");
  put($("confirm-title"), title);
  put($("confirm-text"), text);
  put($("confirm-yes"), yes);
  put($("confirm-trouble"), "");
  $("confirm-yes").className = end ? "snuff" : "";
  $("confirm-amount").hidden = !amount;
  $("confirm-option").hidden = !option;
  $("confirm-tick").checked = false;
  put($("confirm-tick-label"), option);
  if (amount) { put($("confirm-label"), amount.label); $("confirm-number").value = String(amount.default); }
  clearTimeout(steadying);
  $("confirm-yes").disabled = true;
  steadying = setTimeout(() => { $("confirm-yes").disabled = false; }, STEADY_MS);
  return new Promise((resolve) => {
    const done = (answer) => {
      dialog.close();
      dialog.oncancel = $("confirm-form").onsubmit = $("confirm-no").onclick = null;
      resolve(answer);
      if (out && !answer) leave();
    };
    dialog.oncancel = () => done(null);
    $("confirm-no").onclick = () => done(null);
    $("confirm-form").onsubmit = (event) => {
      event.preventDefault();
      const value = amount ? number($("confirm-number").value) : null;
      if (amount && (value === null || value < amount.least || value > amount.most)) {
        put($("confirm-trouble"), `A number from ${amount.range}.`);
        $("confirm-number").focus();
        return;
      }
      done({ amount: value, tick: $("confirm-tick").checked });
    };
    dialog.showModal();
    $("confirm-no").focus();
  });
}

$("reply-close").addEventListener("click", () => { say(""); if (out) leave(); });
