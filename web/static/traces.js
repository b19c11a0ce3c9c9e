// Draws the open run's traces anew every ten seconds, for the stretch that was tapped.
const EVERY_MS = 10000;

export function renewTraces() {
  const place = document.getElementById("traces");
  if (!place) return;
  const zoom = document.getElementById("zoom");
  let last = "";
  const renew = async () => {
    try {
      const query = last ? `?last=${last}` : "";
      const answer = await fetch(`/press/${document.body.dataset.press}/traces${query}`);
      if (answer.ok) place.innerHTML = await answer.text();
    } catch {
      // The stream's own timer says that the line is down.
    }
  };
  zoom.hidden = false;
  zoom.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    last = button.dataset.last;
    for (const each of zoom.children) each.setAttribute("aria-pressed", String(each === button));
    renew();
  });
  setInterval(renew, EVERY_MS);
}
