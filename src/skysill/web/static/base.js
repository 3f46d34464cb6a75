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

const isDark = () => root.dataset.lighting === "dark" || (!root.dataset.lighting && matchMedia("(prefers-color-scheme: dark)").matches);

function apply(chosen) {
  if (chosen) root.dataset.lighting = chosen;
  else delete root.dataset.lighting;
  const button = document.getElementById("lighting");
  if (button) button.textContent = isDark() ? "Light page" : "Dark page";
}

apply(lighting());
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => apply(lighting()));
document.getElementById("lighting")?.addEventListener("click", () => {
  const chosen = isDark() ? "light" : "dark";
  apply(chosen);
  try {
    localStorage.setItem(KEY, chosen);
  } catch {
    // private windows keep nothing
  }
});
