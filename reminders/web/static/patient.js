// Asks the worker to keep a copy of this page for times without internet, and keeps the page true meanwhile.
"use strict";
(() => {
  const body = document.body;
  const isCopy = body.dataset.copy === "yes";
  const words = document.getElementById("words");

  if (isCopy) {
    for (const each of document.querySelectorAll("details.card")) each.open = true;
    mark();
  } else if ("serviceWorker" in navigator) {
    const files = [...document.querySelectorAll("link[rel=stylesheet], link[rel=icon], script[src]")];
    navigator.serviceWorker.register("worker.js", { scope: "./" })
      .then(() => navigator.serviceWorker.ready)
      .then((kept) => {
        kept.active.postMessage({ made: body.dataset.made, files: files.map((each) => each.href || each.src) });
        document.getElementById("kept").hidden = false;
      })
      .catch(() => undefined); // no copy then: the page itself works as it stands
  }

  // What is to be done now was true when the page was made: whoever comes back to it later sees it anew.
  document.addEventListener("visibilitychange", () => {
    const age = Date.now() / 1000 - Number(body.dataset.made);
    if (document.visibilityState === "visible" && age > 600 && !(words && words.value)) location.assign("./");
  });

  // Of a copy, the step that began last is marked.
  function mark() {
    const begun = [...document.querySelectorAll(".steps time")].filter((each) => Date.parse(each.dateTime) <= Date.now());
    begun.sort((one, other) => Date.parse(one.dateTime) - Date.parse(other.dateTime));
    begun.at(-1)?.closest("li").classList.add("here");
  }
})();
