// Keeps one patient's page for times without internet: that page, its style and script, and nothing else. It acts for
// its own folder only. The copy is gone when its link ends, when the page is closed, and when the link is void.
"use strict";
const PAGE = self.registration.scope;
const STORE = `page ${new URL(PAGE).pathname}`;

self.addEventListener("install", (event) => event.waitUntil(self.skipWaiting()));
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("message", (event) => event.waitUntil(keepAll(event.data)));
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== new URL(PAGE).origin) return;
  if (request.mode === "navigate") event.respondWith(go(request, url));
  else if (request.method === "GET" && url.pathname.startsWith("/static/")) event.respondWith(file(request));
});

async function go(request, url) {
  const isPage = url.origin + url.pathname === PAGE;
  let answer;
  try {
    answer = await fetch(request);
  } catch {
    return url.href === `${PAGE}forget` ? forgotten() : copy();
  }
  if (url.href === `${PAGE}forget` || (isPage && answer.status === 404)) await forget();
  else if (isPage && request.method === "GET") await keep(answer.clone());
  return answer;
}

async function file(request) {
  return (await (await caches.open(STORE)).match(request)) || fetch(request);
}

async function keepAll({ made, files }) {
  const store = await caches.open(STORE);
  const present = await store.match(PAGE);
  if (present?.headers.get("X-Page-Made") !== made) await keep(await fetch(`${PAGE}?copy=1`, { credentials: "same-origin" }));
  if (!(await store.match(PAGE))) return;
  for (const each of await store.keys()) if (each.url !== PAGE && !files.includes(each.url)) await store.delete(each);
  for (const each of files) if (!(await store.match(each))) await store.add(each);
}

async function keep(answer) {
  if (answer.ok && answer.headers.has("X-Page-Ends")) await (await caches.open(STORE)).put(PAGE, answer);
}

async function copy() {
  const kept = await (await caches.open(STORE)).match(PAGE);
  if (!kept) return Response.error();
  if (Date.now() / 1000 >= Number(kept.headers.get("X-Page-Ends"))) {
    await forget();
    return Response.error();
  }
  const text = (await kept.text()).replace('data-copy="no"', 'data-copy="yes"');
  return new Response(text, { headers: kept.headers });
}

async function forgotten() {
  const kept = await (await caches.open(STORE)).match(PAGE);
  const said = kept && /data-forgotten="([^"<>&]*)"/.exec(await kept.text());
  await forget();
  return new Response(said ? said[1] : "", { headers: { "Content-Type": "text/plain; charset=utf-8" } });
}

async function forget() {
  await caches.delete(STORE);
  await self.registration.unregister();
}
