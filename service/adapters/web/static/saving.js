// Makes a PNG of a picture: the SVG that the server gives for it, drawn on a canvas at twice its size.
//
// A button with `data-png` names that SVG. Without this script the button does not show, and the link to the SVG stands
// beside it. The picture comes from our own address, so the policy for images needs no exception.

const SCALE = 2;

document.documentElement.classList.add("can-save");

export async function pngOf(address) {
  const image = new Image();
  image.src = address;
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = image.naturalWidth * SCALE;
  canvas.height = image.naturalHeight * SCALE;
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  return new Promise((resolve, reject) => {
    canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error("no PNG"))), "image/png");
  });
}

async function nameOf(address) {
  const answer = await fetch(address, { cache: "no-store" });
  if (!answer.ok) throw new Error(`status ${answer.status}`);
  const named = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") ?? "");
  return (named ? named[1] : "picture.svg").replace(/\.svg$/, ".png");
}

async function save(button) {
  const words = button.textContent;
  button.disabled = true;
  try {
    const [blob, name] = await Promise.all([pngOf(button.dataset.png), nameOf(button.dataset.png)]);
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    button.textContent = words;
  } catch {
    button.textContent = button.dataset.failed;
    setTimeout(() => (button.textContent = words), 8000);
  } finally {
    button.disabled = false;
  }
}

document.addEventListener("click", (event) => {
  const button = event.target instanceof Element && event.target.closest("button[data-png]");
  if (button && !button.disabled) save(button);
});
