// What pages of staff do by themselves where scripts run. Without scripts every page still works.
"use strict";
(() => {
  const said = JSON.parse(document.body.dataset.words || "{}");
  const say = (name, values = {}) => (said[name] || "").replace(/\{(\w+)\}/g, (_, place) => values[place]);
  const find = (selector) => document.querySelector(selector);
  document.querySelectorAll("[data-needs-script]").forEach((each) => { each.hidden = false; });

  // Of a double click the first one counts: the answer to the second would only say that it was done already.
  document.addEventListener("submit", (event) => {
    const sent = Number(event.target.dataset.sent);
    if (Date.now() - sent < 2000) event.preventDefault();
    else event.target.dataset.sent = Date.now();
  });

  // What a form led to has no address of its own: to load it again, or to come back to it, sends no form again.
  const place = find("[data-place]")?.dataset.place;
  if (place && place !== location.pathname) history.replaceState(null, "", place);

  // It finds while one types; to send it would empty the form beside it.
  find("#find")?.addEventListener("submit", (event) => event.preventDefault());

  // Clocks that run: "12 min left", "3 min late".
  const inWords = (minutes) => minutes < 120 ? say("minutes", { number: minutes })
    : minutes < 2880 ? say("hours", { number: Math.floor(minutes / 60) }) : say("days", { number: Math.floor(minutes / 1440) });
  const offset = Date.parse(document.body.dataset.now || "") - Date.now() || 0;
  const runClocks = () => document.querySelectorAll("time[data-due]").forEach((clock) => {
    const left = Date.parse(clock.dateTime) - (Date.now() + offset);
    const minutes = Math.floor(Math.abs(left) / 60000);
    clock.textContent = say(left < 0 ? "late" : "left", { length: inWords(minutes) });
    clock.classList.toggle("late", left < 0);
  });
  runClocks();
  setInterval(runClocks, 10000);

  // The list of concerns: told by the server that something happened, it fetches itself again.
  const list = find("[data-stream]");
  if (list) follow(list);

  function follow(list) {
    const title = document.title;
    const live = find("#live");
    const box = find("#alert");
    box.checked = localStorage.getItem("alert") === "on";
    box.addEventListener("change", () => {
      localStorage.setItem("alert", box.checked ? "on" : "off");
      if (box.checked) sound();
    });
    // A browser keeps few connections to a server: of all pages that are open one listens, and tells the others.
    const others = new BroadcastChannel("concerns");
    let told = null;
    const tell = (...said) => { told = said; hear[said[0]](said[1]); others.postMessage(said); };
    others.onmessage = ({ data }) => {
      if (data[0] !== "ask") hear[data[0]](data[1]);
      else if (told) others.postMessage(told);
    };
    const listen = () => new Promise((done) => {
      const source = new EventSource(list.dataset.stream);
      source.onopen = () => tell("open");
      source.onerror = () => { tell("broken"); if (source.readyState === EventSource.CLOSED) { told = null; done(); } };
      source.addEventListener("ended", () => { source.close(); tell("ended"); told = null; done(); });
      source.onmessage = (event) => tell("now", JSON.parse(event.data));
    });
    let last = null;
    const hear = {
      open: () => { live.textContent = say("updates"); live.classList.remove("broken"); },
      broken: () => { live.textContent = say("broken"); live.classList.add("broken"); },
      ended: () => lock(say("ended")),
      now: changed,
    };
    others.postMessage(["ask"]);
    if (navigator.locks) navigator.locks.request("concerns", listen);
    else listen();

    function changed(now) {
      const pressing = last !== null && now.newest_pressing > last.newest_pressing;
      if (!now.idle && (last === null || now.last_event !== last.last_event)) document.body.dispatchEvent(new CustomEvent("concerns-changed"));
      const count = find("#count");
      if (count) count.textContent = now.open;
      if (box.checked) document.title = now.untaken ? `(${now.untaken}) ${title}` : title;
      if (pressing && find("#alarm")) find("#alarm").textContent = say("came");
      if (pressing && box.checked) { document.title = `▲ ${say("urgent", { count: now.untaken })}`; sound(); }
      if (now.idle) lock(say("waiting", { count: now.untaken }));
      last = now;
    }
  }

  function lock(words) {
    const page = find("#locked-page");
    if (!page) {
      if (find("#locked-count")) find("#locked-count").textContent = words;
      return;
    }
    document.querySelectorAll("form[data-keep]").forEach(keep);
    find("#main").replaceChildren(page.content.cloneNode(true));
    find("#locked-count").textContent = words;
  }

  // What was typed and not sent is sent now: while a sign-in lies idle the server does nothing with it but keep it.
  function keep(form) {
    const typed = [...form.elements].some((each) => each.checked !== each.defaultChecked || each.value !== (each.defaultValue ?? each.value));
    if (typed) fetch(form.dataset.keep, { method: "POST", body: new URLSearchParams(new FormData(form)), redirect: "manual" });
  }

  function sound() {
    const audio = new AudioContext();
    [0, 0.22].forEach((start, number) => {
      const tone = audio.createOscillator();
      const volume = audio.createGain();
      tone.frequency.value = number ? 880 : 660;
      volume.gain.setValueAtTime(0.15, audio.currentTime + start);
      volume.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + start + 0.2);
      tone.connect(volume).connect(audio.destination);
      tone.start(audio.currentTime + start);
      tone.stop(audio.currentTime + start + 0.2);
    });
    setTimeout(() => audio.close(), 800);
  }
})();
