// The panel "From the phone": how to pair one, and the pictures that arrive from it.

import { byId, html, sentence } from "./build.js";
import { Told, ask } from "./ask.js";

let timer = null;

// `onChoose` gets a picture that a phone has sent.
export async function togglePhone(onChoose) {
  const panel = byId("phone");
  if (!panel.hidden) {
    panel.hidden = true;
    clearInterval(timer);
    return;
  }
  panel.replaceChildren(html("p", {}, "One moment …"));
  panel.hidden = false;
  const arrived = html("ul", { class: "arrived" });
  const known = new Set((await ask("/api/pictures")).map((picture) => picture.id));
  panel.replaceChildren(await howTo(), html("p", { role: "status", id: "arrived-told" }, "Waiting for a picture from the phone."), arrived);
  const look = async () => {
    const pictures = await ask("/api/pictures").catch(() => []);
    const fresh = pictures.filter((picture) => picture.from_elsewhere && picture.state === "ready" && !known.has(picture.id));
    for (const picture of fresh) {
      known.add(picture.id);
      byId("arrived-told").textContent = "A picture has arrived.";
      arrived.prepend(html("li", {}, html("button", { type: "button", onclick: () => choose(picture) }, `Take ${picture.name}`)));
    }
  };
  const choose = (picture) => {
    panel.hidden = true;
    clearInterval(timer);
    onChoose(picture);
  };
  clearInterval(timer);
  timer = setInterval(look, 1500);
}

async function howTo() {
  try {
    const { code, addresses } = await ask("/api/pairing");
    if (addresses.length === 0) return html("p", {}, "This machine is on no local network: connect it, and start narrows again.");
    return html(
      "div",
      { class: "pairing" },
      html("img", { src: `/api/pairing/qr.svg?${code}`, alt: `QR code of ${addresses[0]}/pair with the code ${code}`, width: 240, height: 240 }),
      html(
        "div",
        {},
        html("p", {}, "Scan this with the phone’s camera. Or open ", html("strong", {}, `${addresses[0]}/pair`), " on the phone and type"),
        html("p", { class: "code" }, code),
        html("p", { class: "quiet" }, "The code pairs one device and lives ten minutes. What the phone sends crosses the local network unencrypted, and goes no further."),
      ),
    );
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    return html("div", {}, html("p", {}, sentence(error.message)), html("p", { class: "next" }, sentence(error.hint)));
  }
}
