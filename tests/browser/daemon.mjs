// SPDX-License-Identifier: Apache-2.0
// The real daemon on a simulated van or a played board, in a folder of its own, on a free port of this computer.
import { spawn } from "node:child_process";
import { lstat, mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";

const build = process.env.CRANKTRAP_BUILD;
const sample = new URL("../../daemon/service/try.hookup", import.meta.url);

function freePort() {
  return new Promise((resolve, reject) => {
    const server = createServer();
    server.once("error", reject);
    server.listen(0, "127.0.0.1", () => {
      const { port } = server.address();
      server.close(() => resolve(port));
    });
  });
}

export async function until(what, act, seconds = 60) {
  const end = Date.now() + seconds * 1000;
  for (;;) {
    const result = await act().catch(() => null);
    if (result) return result;
    if (Date.now() > end) throw new Error(`waited ${seconds} s in vain: ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 200));
  }
}

/* The daemon on the hookup's text in `folder`, which goes with it. Answers {url, get, stop}. */
async function begin(folder, text) {
  const hookup = join(folder, "van.hookup");
  await writeFile(hookup, text);
  const port = await freePort();
  const child = spawn(join(build, "bin/cranktrapd"), ["--hookup", hookup, "--state", join(folder, "state"),
    "--page", join(build, "page"), "--listen", `127.0.0.1:${port}`], { stdio: ["ignore", "ignore", "pipe"] });
  let log = "";
  child.stderr.on("data", (some) => { log += some; });
  const ended = new Promise((resolve) => child.once("exit", resolve));
  const url = `http://127.0.0.1:${port}`;
  const get = async (path) => {
    const answer = await fetch(url + path);
    if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
    return answer.json();
  };
  const stop = async () => {
    child.kill("SIGTERM");
    await ended;
    await rm(folder, { recursive: true, force: true });
  };
  try {
    await until("the daemon answers", () => get("/v0/status"), 20);
  } catch (problem) {
    await stop();
    throw new Error(`${problem.message}\n${log}`);
  }
  return { url, get, stop };
}

const newFolder = () => mkdtemp(join(tmpdir(), "cranktrap-browser-"));

/* On the simulated van; `options`: keys of its board. */
export async function daemon(options) {
  let text = await readFile(sample, "utf8");
  for (const [key, value] of Object.entries(options)) {
    const line = new RegExp(`^${key} = .*$`, "m");
    text = value === null ? text.replace(line, "") : text.replace(line, `${key} = ${value}`);
  }
  return begin(await newFolder(), text);
}

/* On what the fake board plays over a pseudo-terminal; `hookup(device)`: the text. */
export async function played(hookup, playing) {
  const folder = await newFolder();
  const device = join(folder, "board");
  const board = spawn(join(build, "bin/fakeboard"), ["--link", device, ...playing, "--at-end", "hold"], { stdio: ["pipe", "ignore", "inherit"] });
  const ended = new Promise((resolve) => board.once("exit", resolve));
  const end = async () => {
    board.kill("SIGTERM");
    await ended;
  };
  try {
    await until("the fake board's link", () => lstat(device), 20);
    const logger = await begin(folder, hookup(device));
    return { ...logger, stop: async () => {
      await logger.stop();
      await end();
    } };
  } catch (problem) {
    await end();
    throw problem;
  }
}
