// The USB/IP side of the emulated board, asked as a kernel asks it.
//
// usage: UF2=file node --test usbip.test.mjs

import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import fs from 'node:fs';
import net from 'node:net';
import os from 'node:os';
import path from 'node:path';
import { test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { frame, request } from './host.mjs';

const here = path.dirname(fileURLToPath(import.meta.url));

/** A connection as `vhci-hcd` has it after the import. */
class Kernel {
  static async import(socket) {
    const kernel = new Kernel();
    kernel.bytes = Buffer.alloc(0);
    kernel.sequence = 0;
    kernel.wake = () => {};
    kernel.connection = net.connect(socket);
    kernel.connection.on('data', (more) => { kernel.bytes = Buffer.concat([kernel.bytes, more]); kernel.wake(); });
    kernel.closed = new Promise((resolve) => kernel.connection.on('close', resolve));
    kernel.connection.write(Buffer.concat([Buffer.from('0111800300000000', 'hex'), Buffer.alloc(32)]));
    kernel.about = await kernel.take(320);
    return kernel;
  }

  async take(count) {
    while (this.bytes.length < count) await new Promise((resolve) => { this.wake = resolve; });
    const taken = this.bytes.subarray(0, count);
    this.bytes = this.bytes.subarray(count);
    return taken;
  }

  submit(into, ep, length, setup = Buffer.alloc(8), data = Buffer.alloc(0)) {
    const head = Buffer.alloc(48);
    [1, ++this.sequence, 0x10002, into ? 1 : 0, ep, 0, length].forEach((value, at) => head.writeUInt32BE(value, at * 4));
    setup.copy(head, 40);
    this.connection.write(Buffer.concat([head, data]));
    return this.sequence;
  }

  unlink(target) {
    const head = Buffer.alloc(48);
    [2, ++this.sequence, 0x10002, 0, 0, target].forEach((value, at) => head.writeUInt32BE(value, at * 4));
    this.connection.write(head);
  }

  async answer(into) {
    const head = await this.take(48), length = head.readUInt32BE(24);
    const data = into && head.readUInt32BE(0) === 3 ? await this.take(length) : Buffer.alloc(0);
    return { command: head.readUInt32BE(0), sequence: head.readUInt32BE(4), status: head.readInt32BE(20), length, data };
  }

  async control(type, ask, value, index, length) {
    const setup = Buffer.from([type, ask, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8]);
    this.submit(!!(type & 0x80), 0, length, setup);
    return this.answer(!!(type & 0x80));
  }
}

test('a kernel imports the board, talks to it, loses it and imports it again', { timeout: 60000 }, async (t) => {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'usbip-'));
  const socket = path.join(folder, 'board');
  const server = spawn(process.execPath, [path.join(here, 'usbip.mjs'), process.env.UF2, socket, 'vanish=120', 'size=65536'], { stdio: ['ignore', 'pipe', 'inherit'] });
  t.after(() => { server.kill(); fs.rmSync(folder, { recursive: true }); });
  await new Promise((resolve) => server.stdout.once('data', resolve));
  for (const round of [1, 2]) {
    const kernel = await Kernel.import(socket);
    assert.deepEqual([kernel.about.readUInt16BE(308), kernel.about.readUInt16BE(310)], [0x1209, 1]);
    const product = await kernel.control(0x80, 6, 0x0302, 0x0409, 255);
    assert.equal(product.data.subarray(2).toString('utf16le'), 'firmhand programmer');
    assert.equal((await kernel.control(0, 9, 1, 0, 0)).status, 0);
    // A read that nothing answers, taken back.
    const idle = kernel.submit(true, 1, 64);
    kernel.unlink(idle);
    assert.deepEqual({ ...(await kernel.answer(false)), sequence: 0 }, { command: 4, sequence: 0, status: -104, length: 0, data: Buffer.alloc(0) });
    const hello = frame(1, 1, 0, Buffer.concat(request.hello()));
    kernel.submit(false, 1, hello.length, Buffer.alloc(8), hello);
    assert.deepEqual([(await kernel.answer(false)).length], [hello.length]);
    kernel.submit(true, 1, 512);
    const { status, data } = await kernel.answer(true);
    assert.equal(status, 0);
    assert.ok(data.includes('E6616408434C6A2B'), data.toString('hex'));
    if (round === 2) { kernel.connection.end(); continue; }
    const lines = frame(1, 2, 1, Buffer.concat(request.lines()));
    kernel.submit(false, 1, lines.length, Buffer.alloc(8), lines);
    await kernel.answer(false);
    kernel.submit(true, 1, 512);
    await kernel.closed; // 120 bytes have passed
  }
});
