// Sends acts under the device's code, which this phone keeps until the code changes.
const CODE = "device-code";
const WHO = "who";
const dialog = document.getElementById("code");
const said = document.getElementById("said");

export function takeActs() {
  if (!dialog) return;
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-act]");
    if (!button) return;
    const after = button.dataset.reload ? () => location.reload() : undefined;
    attempt(`act/${button.dataset.act}`, JSON.parse(button.dataset.args), button, after);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-act]");
    if (!form) return;
    event.preventDefault();
    const args = JSON.parse(form.dataset.args ?? "{}");
    const field = form.elements[form.dataset.field];
    args[form.dataset.field] = form.dataset.times
      ? Number(field.value.replace(",", ".")) * Number(form.dataset.times)
      : field.value;
    attempt(`act/${form.dataset.act}`, args, form.querySelector("button"), () => form.reset());
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-entry]");
    if (!form) return;
    event.preventDefault();
    for (const place of form.querySelectorAll(".complaint")) place.textContent = "";
    const fields = Object.fromEntries(new FormData(form));
    const after = () => location.assign(form.dataset.next);
    const point = (field, words) => pointAt(form, field, words);
    attempt(`entry/${form.dataset.entry}`, fields, event.submitter, after, point);
  });
  document.getElementById("other-code")?.addEventListener("click", () => {
    localStorage.removeItem(CODE);
    askCode("");
  });
}

async function attempt(way, args, button, after = () => {}, point = () => {}) {
  if (button.dataset.sure && !confirm(button.dataset.sure === "yes" ? said.dataset.sureEnd : button.dataset.sure)) return;
  if (!localStorage.getItem(CODE) && !(await askCode(""))) return;
  button.disabled = true;
  try {
    await send(way, args, after, point);
  } catch {
    say(said.dataset.noLine, "trouble");
  } finally {
    button.disabled = false;
  }
}

async function send(way, args, after, point) {
  const answer = await fetch(`/press/${document.body.dataset.press}/${way}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Device-Code": localStorage.getItem(CODE) },
    body: JSON.stringify({ ...args, who: localStorage.getItem(WHO) ?? "" }),
  });
  const { outcome, said: words, field } = await answer.json();
  if (outcome === "wrong_code") {
    localStorage.removeItem(CODE);
    if (await askCode(words)) await send(way, args, after, point);
    return;
  }
  if (outcome === "no_code") localStorage.removeItem(CODE);
  say(words, outcome);
  if (outcome === "done") after();
  else if (field) point(field, words);
}

// Says beside its field what cannot be; what was typed stays.
function pointAt(form, field, words) {
  const place = form.querySelector(`[data-refused="${field}"]`);
  if (!place) return;
  place.textContent = words;
  form.elements[field]?.focus?.();
  place.scrollIntoView({ block: "center" });
}

function askCode(why) {
  const told = document.getElementById("code-said");
  told.textContent = why || told.dataset.first;
  const code = document.getElementById("code-text");
  const who = document.getElementById("code-who");
  code.value = "";
  who.value = localStorage.getItem(WHO) ?? "";
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener(
      "close",
      () => {
        const given = dialog.returnValue === "ok" && code.value.trim() !== "";
        if (given) {
          localStorage.setItem(CODE, code.value.trim());
          localStorage.setItem(WHO, who.value.trim());
        }
        resolve(given);
      },
      { once: true },
    );
  });
}

let fading = 0;

function say(words, outcome) {
  said.textContent = words;
  said.dataset.outcome = outcome;
  clearTimeout(fading);
  fading = setTimeout(() => (said.textContent = ""), 8000);
}
