// On every page: light or dark, as the device says or as chosen here.

const root = document.documentElement;
const KEY = "skysill-lighting";

function lighting() {
  try {
    return localStorage.getItem(KEY);
  } catch {
    return null;
  }
}

function apply(chosen) {
  if (chosen) root.dataset.lighting = chosen;
  else delete root.dataset.lighting;
}

apply(lighting());
document.getElementById("lighting")?.addEventListener("click", () => {
  const dark = root.dataset.lighting === "dark" || (!root.dataset.lighting && matchMedia("(prefers-color-scheme: dark)").matches);
  const chosen = dark ? "light" : "dark";
  apply(chosen);
  try {
    localStorage.setItem(KEY, chosen);
  } catch {
    // private windows keep nothing
  }
});
