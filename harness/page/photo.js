// Photos of a unit: the file goes out as it is and comes back as what was kept. No picture is drawn from the file itself.
"use strict";
(() => {
  const form = document.getElementById("photo-form"), says = document.getElementById("photo-says");
  const csrf = document.querySelector('meta[name="page"]').content;
  const most = Number(form.dataset.most);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const file = form.elements.photo.files[0], button = form.querySelector("button");
    if (!file) { says.textContent = "Take or choose a photo first."; return; }
    if (file.size > most) { says.textContent = `The photo has ${Math.round(file.size / 2 ** 20)} MB; ${most / 2 ** 20} MB are allowed.`; return; }
    button.disabled = true;
    says.textContent = "Being kept …";
    try {
      const text = encodeURIComponent(form.elements.text.value.trim());
      const reply = await fetch(`${location.pathname}/photo?text=${text}`, {
        method: "POST", body: file, headers: { "x-wakeboard-page": csrf, "content-type": "application/octet-stream" },
      });
      const told = reply.headers.get("content-type").startsWith("application/json") ? (await reply.json()).refused : await reply.text();
      if (reply.ok) { location.reload(); return; }
      says.textContent = `Not kept: ${told}`;
    } catch {
      says.textContent = "Not kept: no contact with the page's program.";
    }
    button.disabled = false;
  });
})();
