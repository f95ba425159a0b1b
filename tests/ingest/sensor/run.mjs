// Runs the board's program under MicroPython: node run.mjs PACKAGE_DIR FOLDER…
// The Python files of the folders are put where MicroPython finds them; `scenario.py` is run.
// Python reaches the world through `js.bridge`: one line from stdin, and a blocking TCP socket.
import fs from "node:fs";
import path from "node:path";
import { MessageChannel, Worker, receiveMessageOnPort } from "node:worker_threads";

const [packageDir, ...folders] = process.argv.slice(2);
const { loadMicroPython } = await import(path.join(packageDir, "micropython.mjs"));

// The socket lives in a worker; this thread sleeps until it has answered.
const flag = new Int32Array(new SharedArrayBuffer(4));
const { port1, port2 } = new MessageChannel();
const worker = new Worker(new URL("./socket_worker.mjs", import.meta.url), {
  workerData: { flag, port: port2 },
  transferList: [port2],
});

function request(operation, argument) {
  Atomics.store(flag, 0, 0);
  port1.postMessage([operation, argument]);
  Atomics.wait(flag, 0, 0);
  return receiveMessageOnPort(port1).message;
}

let unread = "";
function line() {
  while (!unread.includes("\n")) {
    const chunk = Buffer.alloc(4096);
    const count = fs.readSync(0, chunk);
    if (count === 0) return "end";
    unread += chunk.toString("utf8", 0, count);
  }
  const at = unread.indexOf("\n");
  const found = unread.slice(0, at);
  unread = unread.slice(at + 1);
  return found;
}

globalThis.bridge = { request, line };
const mp = await loadMicroPython({
  linebuffer: true,
  stdout: (text) => fs.writeSync(1, text + "\n"),
  stderr: (text) => fs.writeSync(2, text + "\n"),
});
for (const folder of folders) {
  for (const name of fs.readdirSync(folder)) {
    if (name.endsWith(".py")) {
      mp.FS.writeFile("/" + name, fs.readFileSync(path.join(folder, name)));
    }
  }
}
try {
  mp.runPython("import scenario\nscenario.main()\n");
} finally {
  await worker.terminate();
}
