// Keeps the screen on while the page is in front, where the browser lets a page do so (https only).
export function keepAwake(section) {
  const state = document.getElementById("sound-screen");
  const button = document.getElementById("sound-awake");
  const words = section.dataset;
  let wanted = false;
  let lock = null;

  const show = () => {
    const on = lock !== null && !lock.released;
    state.textContent = !navigator.wakeLock ? words.screenNone : on ? words.screenOn : words.screenOff;
    button.hidden = !navigator.wakeLock;
    button.textContent = wanted ? words.asleep : words.awake;
  };

  const want = async (on) => {
    wanted = on;
    if (!on) {
      await lock?.release();
      lock = null;
    } else if (navigator.wakeLock && document.visibilityState === "visible" && (lock === null || lock.released)) {
      try {
        lock = await navigator.wakeLock.request("screen");
        lock.onrelease = show;
      } catch {
        lock = null; // A low battery, say: the words above tell.
      }
    }
    show();
  };

  button.addEventListener("click", () => want(!wanted));
  document.addEventListener("visibilitychange", () => {
    if (wanted) want(true);
  });
  show();
  return want;
}
