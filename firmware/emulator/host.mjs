// The host's side of the protocol, written a second time from its description in `crates/wire` so that both are checked.

import { crc32 } from 'node:zlib';

const HEADER = 12, BLOCK = 4096;
const CONTROL = 1, BYTES = 2, FILL = 3, REPEAT = 4;

const varint = (value) => {
  const bytes = [];
  for (let left = BigInt(value); ; left >>= 7n) {
    if (left < 128n) { bytes.push(Number(left)); return Buffer.from(bytes); }
    bytes.push(Number(left & 127n) | 128);
  }
};
const byte = (value) => Buffer.from([value]);
const slice = (bytes) => Buffer.concat([varint(bytes.length), Buffer.from(bytes)]);
const mode = ({ opcode = 0x03, address = 3, dummy = 0, lines = 1 } = {}) => Buffer.from([opcode, address, dummy, lines]);
const guard = ({ id = [0xef, 0x40, 0x18], status = 0, mask = 0x7c } = {}) => Buffer.concat([slice(id), byte(status), byte(mask)]);
const entry = ({ at, opcode = 0x20, typical = 45000, limit = 400000 }) => {
  const bytes = Buffer.alloc(13);
  bytes.writeUInt32LE(at, 0);
  bytes[4] = opcode;
  bytes.writeUInt32LE(typical, 5);
  bytes.writeUInt32LE(limit, 9);
  return bytes;
};

/** Requests as `postcard` writes them. */
export const request = {
  hello: () => [byte(0)],
  heartbeat: () => [byte(1)],
  cancel: () => [byte(2)],
  release: () => [byte(3)],
  transfer: (write, read) => [byte(4), slice(write), varint(read)],
  read: (at, len, how) => [byte(5), varint(at), varint(len), mode(how)],
  digest: (at, len, how) => [byte(6), varint(at), varint(len), mode(how)],
  program: (at, len, what = {}) => [byte(7), varint(at), varint(len), varint(256), byte(2), byte(3), varint(700), varint(3000), guard(what)],
  erase: (blocks, what = {}) => [byte(8), byte(3), guard(what), slice(Buffer.concat(blocks.map(entry)))],
  clock: (hz) => [byte(9), varint(hz)],
  lines: () => [byte(10)],
  watch: (ms) => [byte(11), varint(ms)],
  supply: () => [byte(12)],
  feed: (on) => [byte(13), byte(on ? 1 : 0)],
};

export function frame(kind, number, sequence, payload) {
  const out = Buffer.alloc(HEADER + payload.length + 4);
  out.set([0xa7, 0x4e, 1, kind]);
  out.writeUInt16LE(number, 4);
  out.writeUInt16LE(sequence, 6);
  out.writeUInt16LE(payload.length, 8);
  out.writeUInt16LE(crc32(out.subarray(0, 10)) & 0xffff, 10);
  payload.copy(out, HEADER);
  out.writeUInt32LE(crc32(out.subarray(0, HEADER + payload.length)), HEADER + payload.length);
  return out;
}

/** Reads what `postcard` wrote. */
class Reader {
  constructor(bytes) { this.bytes = bytes; this.at = 0; }
  byte() { return this.bytes[this.at++]; }
  number() { for (let value = 0, unit = 1; ; unit *= 128) { const next = this.byte(); value += (next & 127) * unit; if (next < 128) return value; } }
  slice() { const length = this.number(); this.at += length; return this.bytes.subarray(this.at - length, this.at); }
  text() { return this.slice().toString(); }
  option(read) { return this.byte() ? read() : null; }
  bool() { return this.byte() === 1; }
  lines() {
    const line = () => ({ up: this.bool(), down: this.bool(), rise: this.option(() => this.number()), moved: this.byte() });
    return { lines: [1, 2, 3, 4, 5, 6].map(line), supply: this.option(() => this.number()) };
  }
}

function reply(payload) {
  const r = new Reader(payload), n = () => r.number();
  const stop = () => [
    () => ({ differs: { id: [...r.slice()], status: r.byte() } }),
    () => ({ busy: n() }), () => ({ notEnabled: r.byte() }), () => 'cancelled', () => 'silent'][r.byte()]();
  const refusal = () => [
    () => ({ version: r.byte() }), () => ({ expected: n(), got: n() }), () => ({ busy: n() }), () => 'malformed',
    () => ({ unable: r.text() }), () => ({ supply: n() })][r.byte()]();
  const kinds = [
    () => ({ hello: { firmware: r.text(), serial: r.text(), features: n(), maxTransfer: n(), maxRange: n(), maxBlocks: n(), slowest: n(),
      fastest: n(), drive: n(), roundTrip: n(), rate: n() } }),
    () => ({ beat: { running: r.option(n), done: n() } }),
    () => ({ released: true }),
    () => ({ read: n() }),
    () => ({ digests: n() }),
    () => ({ ran: n(), stop: r.option(stop) }),
    () => ({ clock: n() }),
    () => ({ lines: r.lines() }),
    () => ({ seen: r.lines() }),
    () => ({ supply: { mv: r.option(n), fed: r.option(() => r.bool()) } }),
    () => ({ refused: refusal() }),
  ];
  const answer = kinds[r.byte()]();
  if (r.at !== payload.length) throw new Error(`a reply with ${payload.length - r.at} bytes behind it: ${JSON.stringify(answer)}`);
  return answer;
}

export class Host {
  constructor(board, pipe = board.usb.bulk) {
    Object.assign(this, { board, pipe, usb: board.usb, sent: 0, expected: 0, number: 0, turns: 0, stream: Buffer.alloc(0) });
  }

  sequence() { const now = this.sent; this.sent = now === 65535 ? 1 : now + 1; return now; }

  /** Sends a request and returns its number. */
  send(parts, number = (this.number += 1)) {
    const payload = Buffer.concat(parts);
    if (payload[0] === 0 && payload.length === 1) this.sent = 0;
    this.usb.send(this.pipe, frame(CONTROL, number, this.sequence(), payload));
    return number;
  }

  data(number, content) {
    for (let at = 0; at < content.length; at += BLOCK) {
      this.usb.send(this.pipe, frame(BYTES, number, this.sequence(), Buffer.from(content.subarray(at, at + BLOCK))));
    }
  }

  fill(number, value, count) {
    const payload = Buffer.alloc(5);
    payload[0] = value;
    payload.writeUInt32LE(count, 1);
    this.usb.send(this.pipe, frame(FILL, number, this.sequence(), payload));
  }

  /** The next frame that came, or null. Bytes that are no frame are an error unless a program was killed before. */
  next() {
    for (const packet of this.usb.received(this.pipe)) this.stream = Buffer.concat([this.stream, packet]);
    for (;;) {
      const { stream } = this;
      if (stream.length < HEADER) return null;
      const length = stream.readUInt16LE(8), whole = HEADER + length + 4;
      const begins = stream[0] === 0xa7 && stream[1] === 0x4e && stream.readUInt16LE(10) === (crc32(stream.subarray(0, 10)) & 0xffff);
      if (begins && stream.length < whole) return null;
      const sound = begins && stream.length >= whole && stream.readUInt32LE(whole - 4) === crc32(stream.subarray(0, whole - 4));
      if (!sound) {
        if (!this.resyncing) throw new Error('bytes that are no frame');
        this.stream = stream.subarray(1);
        continue;
      }
      this.stream = stream.subarray(whole);
      const sequence = stream.readUInt16LE(6);
      if (sequence !== 0 && sequence !== this.expected) {
        if (this.resyncing) continue;
        throw new Error(`frame ${sequence} in place of ${this.expected}`);
      }
      this.expected = sequence === 65535 ? 1 : sequence + 1;
      return { kind: stream[3], number: stream.readUInt16LE(4), payload: stream.subarray(HEADER, HEADER + length) };
    }
  }

  /** Waits for the reply to a request; its data comes with it. Heartbeats go out meanwhile, as a host's would. */
  answer(number, ms = 60000) {
    const { board } = this, data = [], end = board.ms + ms;
    let beat = board.ms + 250, answer = null;
    this.turns++;
    const look = () => {
      for (let got; !answer && (got = this.next()); ) {
        if (got.kind === CONTROL) {
          const said = reply(got.payload);
          if (got.number === number && !said.beat) answer = said;
          else if (said.beat) this.beat = said.beat;
          else if (!this.resyncing) throw new Error(`an answer to ${got.number}: ${JSON.stringify(said)}`);
        } else if (got.number === number) {
          const { payload } = got;
          if (got.kind === BYTES) data.push(payload);
          else if (got.kind === FILL) data.push(Buffer.alloc(payload.readUInt32LE(1), payload[0]));
          else if (got.kind === REPEAT) data.push(data.at(-1).subarray(-payload.readUInt32LE(0)));
        }
      }
      return answer !== null;
    };
    const wake = board.mcu.clock.createAlarm(() => {});
    while (!answer) {
      let packets = -1;
      wake.schedule(Math.max(1, (beat - board.ms) * 1e6));
      board.until(() => {
        if (this.usb.packets.in === packets && board.ms < beat) return false;
        packets = this.usb.packets.in;
        return look() || board.ms >= beat;
      }, ms, 'an answer');
      if (!answer && board.ms >= beat) {
        // An earlier program's frame that was cut short would hold back what follows.
        if (this.resyncing && this.stream.length) this.stream = this.stream.subarray(1);
        this.send(request.heartbeat(), 65535); beat = board.ms + 250;
      }
      if (board.ms > end) throw new Error('no answer');
    }
    return { ...answer, data: Buffer.concat(data) };
  }

  ask(parts) { return this.answer(this.send(parts)); }

  /** Says hello, and takes whatever an earlier program left behind for what it is. */
  hello() {
    this.resyncing = true;
    const { hello } = this.ask(request.hello());
    this.resyncing = false;
    return hello;
  }
}
