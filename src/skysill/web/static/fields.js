// Fields bound to values of a draft, and errors at the field they belong to.
//
//   <div class="field"><label for="h">Height</label><input id="h" data-path='["mounts",0,"height_m"]' data-kind="number"></div>
//   bindFields(root, draft);
//   showError(root, error);    an ApiError with a path goes to its field, others to the page's alert

export function say(text) {
  document.getElementById("status").textContent = text;
}

export function alertUser(text) {
  document.getElementById("alert").textContent = text;
}

// A number as people type it, with point or comma; what is no number stays text, so that the server says so.
export function parseNumber(text) {
  const plain = text.trim().replace("\u2212", "-");
  if (plain === "") return undefined;
  const number = Number(/^[^.,]*,[^.,]*$/.test(plain) ? plain.replace(",", ".") : plain);
  return Number.isFinite(number) ? number : plain;
}

export function readField(input) {
  const kind = input.dataset.kind ?? "text";
  if (kind === "flag") return input.checked;
  if (kind === "number") return parseNumber(input.value);
  return input.value.trim() === "" ? undefined : input.value.trim();
}

export function fillField(input, value) {
  if (input.dataset.kind === "flag") input.checked = value === true;
  else input.value = value === undefined || value === null ? "" : String(value);
}

// Binds every element with data-path below root to the draft, both ways. Elements made later: call it again.
export function bindFields(root, draft) {
  for (const input of root.querySelectorAll("[data-path]:not([data-bound])")) {
    const path = JSON.parse(input.dataset.path);
    input.dataset.bound = "yes";
    fillField(input, draft.value(path));
    input.addEventListener(input.type === "range" ? "input" : "change", () => {
      clearError(input);
      draft.set(path, readField(input), input.type === "range" ? { gesture: `range ${path}` } : {});
    });
    draft.addEventListener("change", () => {
      if (input.isConnected && document.activeElement !== input) fillField(input, draft.value(path));
    });
  }
}

export function fieldError(input, text) {
  let said = document.getElementById(`${input.id}-error`);
  if (!said) {
    if (!input.id) input.id = `field-${Math.random().toString(36).slice(2)}`;
    said = document.createElement("p");
    said.id = `${input.id}-error`;
    said.className = "field-error";
    (input.closest(".field") ?? input.parentElement).append(said);
    input.setAttribute("aria-describedby", `${input.getAttribute("aria-describedby") ?? ""} ${said.id}`.trim());
  }
  said.textContent = text;
  input.setAttribute("aria-invalid", "true");
}

export function clearError(input) {
  input.removeAttribute("aria-invalid");
  const said = document.getElementById(`${input.id}-error`);
  if (said) said.textContent = "";
}

export function clearErrors(root) {
  for (const input of root.querySelectorAll("[aria-invalid]")) clearError(input);
  alertUser("");
}

// The error at the field whose path it names (or at the nearest field above), else in the page's alert. Focus goes there.
export function showError(root, error, { focus = true } = {}) {
  const inputs = [...root.querySelectorAll("[data-path]")];
  for (let length = error.path?.length ?? 0; length > 0; length -= 1) {
    const wanted = JSON.stringify(error.path.slice(0, length));
    const input = inputs.find((one) => JSON.stringify(JSON.parse(one.dataset.path)) === wanted);
    if (input) {
      fieldError(input, error.message);
      if (focus) input.focus();
      return input;
    }
  }
  const named = error.field && root.querySelector(`[name="${CSS.escape(error.field)}"]`);
  if (named) {
    fieldError(named, error.message);
    if (focus) named.focus();
    return named;
  }
  alertUser(error.message);
  return null;
}
