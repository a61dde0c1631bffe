// S12: who is not let in, and what no address and no upload reaches. Asked as programs ask that keep to no rules of a browser.
import { request } from "node:http";
import { join } from "node:path";
import { after, before, test } from "node:test";
import assert from "node:assert/strict";
import { desk, folder } from "./desk.mjs";

let open, cookie, job, csrf;

/// One request, with exactly these headers.
function ask(path, { method = "GET", headers = {}, body, admitted = true } = {}) {
  const { hostname, port, host } = new URL(open.origin);
  const sent = { host, ...(admitted ? { cookie } : {}), ...headers };
  return new Promise((done, failed) => {
    const asked = request({ hostname, port, path, method, headers: sent, agent: false }, (answer) => {
      const parts = [];
      answer.on("data", (part) => parts.push(part));
      answer.on("end", () => done({ status: answer.statusCode, headers: answer.headers, text: Buffer.concat(parts).toString() }));
    });
    asked.on("error", failed);
    if (body) asked.write(body);
    asked.end();
  });
}

before(async () => {
  open = await desk("demo", "--desk", "--bench", join(folder(), "bench"));
  const { pathname, search } = new URL(open.address);
  const welcome = await ask(pathname + search, { admitted: false });
  cookie = welcome.headers["set-cookie"][0].split(";")[0];
  job = (await ask("/")).text.match(/href="(\/job\/[^"/?]+)"/)[1];
  csrf = (await ask(job)).text.match(/csrf=([0-9a-f]{64})/)[1];
});
after(() => open?.end());

test("S12: without the token nothing is shown, whatever is asked for", async () => {
  const places = ["/", "/start", job, "/assets/desk.css", ...["wiring", "map", "map/main", "map/main/cells", "map/main/news", "map/main/sector/0", "images", "reads", "record", "label", "label.svg", "write-up", "write-up.md"].map((place) => `${job}/${place}`)];
  for (const place of places) {
    const answer = await ask(place, { admitted: false });
    assert.equal(answer.status, 403, place);
    assert.ok(!answer.text.includes(job), place);
  }
  assert.equal((await ask("/?token=" + "0".repeat(64), { admitted: false })).status, 403);
});

test("S12: a foreign Host and a foreign Origin are refused, with the cookie too", async () => {
  for (const host of ["example.org", "127.0.0.1", "localhost:1", "127.0.0.1.example.org"]) assert.equal((await ask("/", { headers: { host } })).status, 403, host);
  assert.equal((await ask("/", { headers: { origin: "http://example.org" } })).status, 403);
  for (const origin of [undefined, "null", "http://example.org"]) {
    const headers = { "content-type": "application/x-www-form-urlencoded", ...(origin ? { origin } : {}) };
    assert.equal((await ask(`${job}/sign?csrf=${csrf}`, { method: "POST", headers, body: "step=first-look&by=x" })).status, 403, String(origin));
  }
  const headers = { "content-type": "application/x-www-form-urlencoded", origin: open.origin };
  assert.equal((await ask(`${job}/sign`, { method: "POST", headers, body: "step=first-look&by=x" })).status, 403, "no csrf token");
});

test("S12: an upload that is too large is refused, and so is what is no photo", async () => {
  const send = (bytes) => {
    const edge = "edge-of-a-part";
    const part = (name, value) => `--${edge}\r\ncontent-disposition: form-data; name="${name}"\r\n\r\n${value}\r\n`;
    const body = Buffer.concat([Buffer.from(part("step", "first-look") + part("by", "x") + `--${edge}\r\ncontent-disposition: form-data; name="photo"; filename="../../x.png"\r\ncontent-type: image/png\r\n\r\n`), bytes, Buffer.from(`\r\n--${edge}--\r\n`)]);
    const headers = { origin: open.origin, "content-type": `multipart/form-data; boundary=${edge}`, "content-length": body.length };
    return ask(`${job}/photo?csrf=${csrf}`, { method: "POST", headers, body }).catch((error) => ({ status: error.code }));
  };
  // The server may hang up while the rest is on its way.
  assert.ok([413, "ECONNRESET", "EPIPE"].includes((await send(Buffer.alloc(18 << 20))).status));
  assert.equal((await send(Buffer.from("<svg onload='x'/>"))).status, 400);
});

test("S12: no address reaches a path, another job's content, or nothing at all", async () => {
  const hex = "0".repeat(64);
  const odd = ["..%2f..%2fetc%2fpasswd", "%2e%2e", "..%5c..", "%00", "main%00", "a".repeat(300)];
  for (const text of odd) {
    for (const place of [`/assets/${text}`, `/job/${text}`, `/job/${text}/record`, `${job}/map/${text}`, `${job}/map/main/sector/${text}`, `${job}/image/${text}`, `${job}/image/${hex}/inside/${text}`, `${job}/photo/${text}`, `${job}/compare?a=${text}&b=${text}`]) {
      const answer = await ask(place);
      assert.ok([400, 404].includes(answer.status), `${place}: ${answer.status}`);
      assert.ok(!answer.text.includes("root:"), place);
    }
  }
  assert.equal((await ask(`${job}/image/${hex}`)).status, 404);
});

test("S12: every answer tells the browser what it may do", async () => {
  for (const place of ["/", job, `${job}/map/main`, `${job}/label.svg`, "/assets/view-map.js", "/nothing"]) {
    const { headers } = await ask(place);
    assert.match(headers["content-security-policy"], /default-src 'none'/, place);
    assert.equal(headers["x-content-type-options"], "nosniff", place);
    assert.equal(headers["cache-control"], "no-store", place);
  }
});
