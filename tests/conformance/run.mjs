// Runs Python on a real MicroPython (its WebAssembly port) and reports what it printed.
//
// It reads one job, a JSON object, from standard input and writes one JSON object to standard
// output. It never touches the machine's own files: the interpreter sees only those of the job,
// in a file system in memory.
//
//   job     {"vm": path of micropython.mjs, "heap": bytes, "fixed": bool,
//            "files": {path: base64}, "steps": [source, ...], "read": [path, ...]}
//   answer  {"out": [text of each step], "error": null | {"step": i, "text": traceback},
//            "files": {path: base64}, "ms": time of the steps}
//
// Each step is a run of its own, because this port collects garbage only between runs.
// "fixed" takes away the interpreter's way to grow its heap, so that memory runs out as it does
// on a board, at exactly "heap" bytes: the WebAssembly memory may not grow any more, and what the
// C library could still hand out is used up.

import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const job = JSON.parse(readFileSync(0, "utf8"));

// Emscripten reports each refused growth; that is what "fixed" asks for, so it is dropped here.
const complain = console.error.bind(console);
console.error = (...words) => {
  if (!/grow/i.test(String(words[0]))) complain(...words);
};

// This port raises OSError with the error numbers of WASI; boards and CPython have those of Linux.
// `vm.py` made the glue of the port ask here on every way back from the file system.
const LINUX = { 8: 9, 20: 17, 28: 22, 29: 5, 31: 21, 44: 2, 51: 28, 54: 20, 55: 39 };
globalThis.errnoOfLinux = (errno) => LINUX[errno] ?? errno;

let printed = [];
const { loadMicroPython } = await import(pathToFileURL(job.vm));
const vm = await loadMicroPython({
  heapsize: job.heap,
  pystack: 8192,
  stdout: (line) => printed.push(line),
});

for (const [path, text] of Object.entries(job.files)) {
  vm.FS.mkdirTree(path.slice(0, path.lastIndexOf("/")) || "/");
  vm.FS.writeFile(path, Buffer.from(text, "base64"));
}

if (job.fixed) {
  WebAssembly.Memory.prototype.grow = () => {
    throw new RangeError("this heap does not grow");
  };
  // The heap doubles when it grows, so what remains (under 16 KB in one piece) is of no use to it.
  for (let size = 1 << 24; size >= 1 << 14; size >>= 1) {
    while (vm._module._malloc(size)) { /* keep it */ }
  }
}

const out = [];
let error = null;
const began = performance.now();
for (let i = 0; i < job.steps.length && error === null; i++) {
  printed = [];
  try {
    vm.runPython(job.steps[i]);
  } catch (fault) {
    error = { step: i, text: String(fault.message ?? fault) };
  }
  out.push(printed.map((line) => line + "\n").join(""));
}
const ms = performance.now() - began;

const files = {};
for (const path of job.read) {
  files[path] = Buffer.from(vm.FS.readFile(path)).toString("base64");
}
// The answer is long at times: the process ends by itself once it is all written.
process.stdout.write(JSON.stringify({ out, error, files, ms }));
