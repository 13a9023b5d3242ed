// An element with its text and properties, as the scripts of what a device keeps make them.
export function element(tag, text = "", values = {}) {
  return Object.assign(document.createElement(tag), text ? { textContent: text } : {}, values);
}
