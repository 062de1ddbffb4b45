// The page works without this: it sends a photo as soon as it was taken, and keeps a second tap from sending twice.
"use strict";

document.documentElement.classList.add("scripted");

for (const shoot of document.querySelectorAll(".shoot")) {
  const photo = shoot.querySelector("[type=file]");
  const wait = shoot.querySelector(".wait");
  const most = Number(shoot.dataset.megabytes);
  photo.addEventListener("change", () => {
    if (!photo.files.length) return;
    if (photo.files[0].size > most * 1e6) {
      wait.hidden = false;
      wait.textContent = `That file is too large: at most ${most} MB.`;
      photo.value = "";
      return;
    }
    shoot.requestSubmit();
  });
  shoot.addEventListener("submit", () => {
    shoot.classList.add("busy");
    wait.hidden = false;
  });
}

for (const form of document.querySelectorAll("form")) {
  form.addEventListener("submit", (event) => {
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "yes";
  });
}

// a page that the browser kept and shows again may be sent anew
window.addEventListener("pageshow", (event) => {
  if (event.persisted) window.location.reload();
});
