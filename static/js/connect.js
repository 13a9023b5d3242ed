// Offers to install where the browser can, and says where it is done. Without it the steps in words do.

const part = document.querySelector("[data-install]");
const offer = part?.querySelector("[data-offer]");
const installed = part?.querySelector("[data-installed]");
let asking = null;

function tellInstalled() {
  offer.hidden = true;
  installed.hidden = false;
}

if (part) {
  if (matchMedia("(display-mode: standalone)").matches || navigator.standalone === true) tellInstalled();
  window.addEventListener("beforeinstallprompt", (event) => {
    event.preventDefault();
    asking = event;
    offer.hidden = false;
  });
  window.addEventListener("appinstalled", tellInstalled);
  part.querySelector("[data-install-now]").addEventListener("click", async () => {
    if (!asking) return;
    const asked = asking;
    asking = null;
    offer.hidden = true;
    await asked.prompt();
  });
}
