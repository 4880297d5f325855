// The bench page: sound devices on request; the page comes anew when a bench was described.

import { get, made } from "./window.js";

document.getElementById("ask-devices").addEventListener("click", async () => {
  const place = document.getElementById("devices");
  place.textContent = "Looking.";
  try {
    const { devices } = await get("/devices");
    if (!devices.length) place.textContent = "No sound device was found.";
    else
      place.replaceChildren(
        ...devices.map((one) => {
          const button = made("button", { type: "button" }, one.device);
          button.addEventListener("click", () => {
            document.querySelector("[name='--device']").value = one.device;
          });
          return made("p", {}, button, ` ${one.inputs} in, ${one.outputs} out. ${one.note}`);
        }),
      );
  } catch (error) {
    place.textContent = error.message;
  }
});

document.addEventListener("ended", ({ detail: { job, mine } }) => {
  if (mine && job.name === "rig-new" && job.status === 0)
    location.assign(`/bench?rig=${encodeURIComponent(job.left.trim())}`);
});
