// On every page: keep pages for where there is no net, where the browser allows it.
if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register(`${document.body.dataset.root}/worker.js`).catch(() => {});
}
