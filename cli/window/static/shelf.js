// The shelf: files dropped on it, or chosen, are sent one after the other.

import { inWords, made, refresh } from "./window.js";

const drop = document.getElementById("drop");
const told = document.getElementById("dropped");

async function send(files) {
  for (const file of files) {
    const line = made("li", {}, `${file.name}: on its way`);
    told.append(line);
    const answer = await fetch(`/drop?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file }).catch(() => null);
    const said = answer ? await answer.json().catch(() => ({})) : {};
    if (answer?.ok) line.textContent = `${said.kept}: ${said.words}`;
    else {
      line.textContent = answer?.status === 413 ? `${file.name}: larger than any recording that is taken here` : `${file.name}: ${inWords(said.fault)}`;
      line.className = "outside";
    }
  }
  await refresh();
}

document.getElementById("pick").addEventListener("change", (event) => send([...event.target.files]));
for (const kind of ["dragover", "dragleave", "drop"])
  drop.addEventListener(kind, (event) => {
    event.preventDefault();
    drop.classList.toggle("over", kind === "dragover");
    if (kind === "drop") send([...event.dataTransfer.files]);
  });
