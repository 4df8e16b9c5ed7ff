// Keeps the lane's page fresh: parts of it are put in anew from the server, which alone makes them. Without this the page works
// as well, and is looked at again by its link.
"use strict";
const live = document.getElementById("live");
const said = document.getElementById("said");
let after = document.body.dataset.after;
let due = 0, busy = false, again = false;

async function refresh() {
  due = 0;
  if (busy) { again = true; return; }
  busy = true;
  try {
    const answer = await fetch("/", { headers: { Accept: "text/html" } });
    if (answer.redirected || answer.status === 401) { location.reload(); return; }
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const held = document.activeElement && document.activeElement.id;
    for (const old of document.querySelectorAll("[data-part]")) {
      const part = fresh.getElementById(old.id);
      if (part && part.outerHTML !== old.outerHTML) old.replaceWith(document.adoptNode(part));
    }
    if (held && document.activeElement.id !== held) {
      const to = document.getElementById(held) || document.getElementById("again");
      to.focus({ preventScroll: true });
    }
    live.textContent = fresh.getElementById("live").textContent + (open() ? " Live." : "");
  } catch {
    lost();
  } finally {
    busy = false;
    if (again) { again = false; soon(300); }
  }
}

// soon refreshes once for all that happens within a moment.
function soon(ms) { if (!due) due = setTimeout(refresh, ms); }

function lost() {
  live.textContent = "The gateway does not answer; this page is old. Trying again.";
  document.body.classList.add("lost");
}

let stream;
const open = () => stream && stream.readyState === EventSource.OPEN;

function listen() {
  stream = new EventSource("/api/events?after=" + encodeURIComponent(after));
  stream.onopen = () => {
    if (document.body.classList.contains("lost")) soon(0);
    document.body.classList.remove("lost");
    if (!live.textContent.endsWith("Live.")) live.textContent += " Live.";
  };
  stream.onerror = () => {
    lost();
    // A browser gives up for good when it is answered with anything but a stream: too many listen, or the session is over.
    if (stream.readyState === EventSource.CLOSED) setTimeout(() => { listen(); soon(0); }, 10000);
  };
  stream.addEventListener("trip", (e) => { after = e.lastEventId; came(JSON.parse(e.data).trip); soon(400 + Math.random() * 600); });
  for (const kind of ["fault", "zone", "change", "reset"])
    stream.addEventListener(kind, (e) => { after = e.lastEventId; soon(100 + Math.random() * 400); });
}

// came shows a trip at once, before the page has been made anew.
function came(trip) {
  const known = document.getElementById("trip-" + trip.id);
  if (known) return;
  const at = trip.at ? new Date(trip.at) : null;
  const time = document.createElement("time");
  time.textContent = at ? at.toLocaleTimeString("en-GB") : "just now";
  const title = document.createElement("strong");
  title.textContent = trip.title;
  const line = document.createElement("li");
  line.id = "trip-" + trip.id;
  line.className = "new";
  line.append(time, " ", title, trip.test ? " a test" : "");
  let list = document.querySelector("#came .trips");
  if (!list) {
    list = document.createElement("ol");
    list.className = "trips";
    document.getElementById("came-h").after(list);
  }
  list.prepend(line);
  said.textContent = trip.title + ", " + time.textContent + (trip.test ? ", a test" : "");
}

listen();
setInterval(() => { if (!document.hidden) soon(0); }, 30000);
document.addEventListener("visibilitychange", () => { if (!document.hidden) soon(0); });
