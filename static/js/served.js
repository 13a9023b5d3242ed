// What a form held when it came from the server, whatever was typed before the scripts were there or brought back by the
// browser. Looked at before any script has written into it.

const pairs = (data) => JSON.stringify([...data].filter(([name, value]) => typeof value === "string" && name !== "sent_key"));

// The form as it came, beside the page.
export function asServed(form) {
  const copy = form.cloneNode(true);
  copy.reset();
  return copy;
}

export const isTouched = (form) => pairs(new FormData(form)) !== pairs(new FormData(asServed(form)));
