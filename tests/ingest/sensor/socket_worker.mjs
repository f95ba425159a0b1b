// One TCP socket; each request is answered with "ok:…" or "error:…", bytes as hexadecimal.
import net from "node:net";
import { workerData } from "node:worker_threads";

const { flag, port } = workerData;
let socket = null;
let received = Buffer.alloc(0);
let ended = false;
let waiting = null;

function answer(text) {
  port.postMessage(text);
  Atomics.store(flag, 0, 1);
  Atomics.notify(flag, 0);
}

function give() {
  if (waiting === null || (received.length === 0 && !ended)) return;
  const part = received.subarray(0, waiting.count);
  received = received.subarray(part.length);
  clearTimeout(waiting.timer);
  waiting = null;
  answer("ok:" + part.toString("hex"));
}

const operations = {
  connect(address) {
    const [host, number, timeout] = address.split(" ");
    received = Buffer.alloc(0);
    ended = false;
    socket = net.connect(Number(number), host);
    let told = false;
    const tell = (text) => {
      if (!told) answer(text);
      told = true;
    };
    socket.setTimeout(Number(timeout), () => tell("error:timeout"));
    socket.on("connect", () => {
      socket.setTimeout(0);
      tell("ok:");
    });
    socket.on("error", (error) => tell("error:" + error.code));
    socket.on("data", (data) => {
      received = Buffer.concat([received, data]);
      give();
    });
    socket.on("close", () => {
      ended = true;
      give();
    });
  },
  send(data) {
    if (ended) return answer("error:EPIPE");
    const bytes = Buffer.from(data, "hex");
    socket.write(bytes);
    answer("ok:" + bytes.length);
  },
  recv(wanted) {
    const [count, timeout] = wanted.split(" ").map(Number);
    const timer = setTimeout(() => {
      waiting = null;
      answer("error:ETIMEDOUT");
    }, timeout);
    waiting = { count, timer };
    give();
  },
  close() {
    if (socket !== null) socket.destroy();
    answer("ok:");
  },
};

port.on("message", ([operation, argument]) => operations[operation](argument));
