// Password fields can be looked at, and a new one is told how far it is from long enough.

const SHORTEST = 12;

for (const input of document.querySelectorAll("input[type=password]")) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button button--quiet";
  button.setAttribute("aria-controls", input.id);
  button.setAttribute("aria-pressed", "false");
  button.textContent = "Show";
  button.addEventListener("click", () => {
    const shown = input.type === "text";
    input.type = shown ? "password" : "text";
    button.setAttribute("aria-pressed", String(!shown));
    input.focus();
  });
  const line = document.createElement("span");
  line.className = "secret-line";
  input.replaceWith(line);
  line.append(input, button);
  // A field that is looked at is sent as the password it is, so that no browser learns it as plain text.
  input.form?.addEventListener("submit", () => { input.type = "password"; });
  if (input.autocomplete === "new-password" && input.name !== "again") tellLength(input, line);
}

function tellLength(input, line) {
  const told = document.createElement("span");
  told.className = "field__hint";
  told.setAttribute("role", "status");
  line.after(told);
  input.addEventListener("input", () => { told.textContent = spoken(input.value.normalize("NFKC")); });
}

// Rough on purpose: the server has the lists of common passwords and says the last word.
function spoken(text) {
  const length = [...text].length;
  if (!length) return "";
  if (length < SHORTEST) return `${length} of at least ${SHORTEST} characters`;
  if (new Set(text.toLowerCase()).size < 6) return "Long enough, but it repeats itself";
  const words = new Set(text.toLowerCase().split(/[\s.,_-]+/).filter((word) => word.length > 2)).size;
  return words >= 4 || length >= 20 ? "Long enough and hard to guess" : "Long enough; more words make it harder to guess";
}
