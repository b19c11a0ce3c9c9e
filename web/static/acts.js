// Sends acts under the device's code, which this phone keeps until the code changes.
const CODE = "device-code";
const WHO = "who";
const dialog = document.getElementById("code");
const said = document.getElementById("said");

export function takeActs() {
  if (!dialog) return;
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-act]");
    if (button) attempt(button.dataset.act, JSON.parse(button.dataset.args), button);
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
    attempt(form.dataset.act, args, form.querySelector("button"), () => form.reset());
  });
  document.getElementById("other-code")?.addEventListener("click", () => {
    localStorage.removeItem(CODE);
    askCode("");
  });
}

async function attempt(act, args, button, after = () => {}) {
  if (button.dataset.sure && !confirm(said.dataset.sureEnd)) return;
  if (!localStorage.getItem(CODE) && !(await askCode(""))) return;
  button.disabled = true;
  try {
    await send(act, args, after);
  } catch {
    say(said.dataset.noLine, "trouble");
  } finally {
    button.disabled = false;
  }
}

async function send(act, args, after) {
  const answer = await fetch(`/press/${document.body.dataset.press}/act/${act}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Device-Code": localStorage.getItem(CODE) },
    body: JSON.stringify({ ...args, who: localStorage.getItem(WHO) ?? "" }),
  });
  const { outcome, said: words } = await answer.json();
  if (outcome === "wrong_code") {
    localStorage.removeItem(CODE);
    if (await askCode(words)) await send(act, args, after);
    return;
  }
  if (outcome === "no_code") localStorage.removeItem(CODE);
  say(words, outcome);
  if (outcome === "done") after();
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
