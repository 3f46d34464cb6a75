// The token from the link's part behind #, which no browser sends along, or as typed.

import { post } from "./api.js";
import { fieldError } from "./fields.js";

const input = document.getElementById("token");

async function enter(token) {
  try {
    await post("/api/enter", { token });
    location.replace("/");
  } catch (fault) {
    fieldError(input, fault.message);
    input.focus();
  }
}

document.getElementById("enter").addEventListener("submit", (event) => {
  event.preventDefault();
  enter(input.value.trim());
});

if (location.hash.length > 1) {
  const token = location.hash.slice(1);
  history.replaceState(null, "", "/enter");
  enter(token);
}
