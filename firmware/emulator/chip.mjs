// A serial NOR chip of the EF4018 kind, 16 MiB or as much of it as asked. Bytes over SPI; two bits at a time for 3Bh.

export class Chip {
  constructor(size = 1 << 20, { pageNs = 0.7e6, eraseNs = 45e6, tables = [] } = {}) {
    Object.assign(this, { tables, pageNs, eraseNs, busyUntil: 0, status: 0, selected: false, id: [0xef, 0x40, 0x18] });
    this.content = new Uint8Array(size);
    for (let at = 0; at < size; at++) this.content[at] = (at * 7) ^ ((at >> 8) * 13);
    this.log = []; // opcode, address, nanoseconds, of each command that changes something
    this.got = [];
    this.pair = 0;
  }

  get busy() { return this.clock.nanos < this.busyUntil; }
  get address() { return (this.got[1] << 16) | (this.got[2] << 8) | this.got[3]; }

  /** The supply was off: what ran has ended. */
  powerUp() {
    Object.assign(this, { busyUntil: 0, status: 0, selected: false, got: [], pair: 0 });
  }

  select(on) {
    if (on === this.selected) return;
    if (!on) this.finish();
    this.selected = on;
    this.got = [];
    this.pair = 0;
  }

  exchange(byte) {
    if (!this.selected) return 0xff;
    const count = this.got.push(byte) - 1, [opcode] = this.got;
    if (this.busy && opcode !== 0x05) return 0xff;
    const read = (lead) => (count >= lead ? this.content[(this.address + count - lead) % this.content.length] : 0xff);
    switch (opcode) {
      case 0x05: return count ? this.status | (this.busy ? 1 : 0) : 0xff;
      case 0x9f: return count ? this.id[count - 1] ?? 0xff : 0xff;
      case 0x90: return count >= 4 ? [this.id[0], this.id[2] - 1][count % 2] : 0xff;
      case 0xab: return count >= 4 ? this.id[2] - 1 : 0xff;
      case 0x4b: return count >= 5 ? 0x10 + count : 0xff;
      case 0x35: case 0x15: return count ? 0 : 0xff;
      case 0x5a: return count >= 5 ? this.tables[this.address + count - 5] ?? 0xff : 0xff;
      case 0x03: return read(4);
      case 0x0b: return read(5);
      default: return 0xff;
    }
  }

  /** The two bits that stand on IO1 and IO0 now; null when no two-line read is under way. */
  dual() {
    if (!this.selected || this.got[0] !== 0x3b || this.got.length !== 5) return null;
    const byte = this.content[(this.address + (this.pair >> 2)) % this.content.length];
    return (byte >> (6 - 2 * (this.pair & 3))) & 3;
  }

  finish() {
    const [opcode] = this.got, { clock, content } = this;
    if (opcode === undefined || this.busy) return;
    if (opcode === 0x06) { this.status |= 2; return; }
    if (opcode === 0x04) { this.status &= ~2; return; }
    if (![0x02, 0x20, 0xd8, 0x01].includes(opcode)) return;
    this.log.push({ opcode, at: this.address, ns: clock.nanos });
    if (!(this.status & 2)) return;
    this.status &= ~2;
    if (opcode === 0x02) {
      this.got.slice(4).forEach((byte, n) => { content[((this.address & ~255) | ((this.address + n) & 255)) % content.length] &= byte; });
      this.busyUntil = clock.nanos + this.pageNs;
    } else if (opcode === 0x01) {
      this.status = this.got[1] & 0xfc;
    } else {
      const size = opcode === 0x20 ? 4096 : 65536, from = (this.address & -size) % content.length;
      content.fill(0xff, from, from + size);
      this.busyUntil = clock.nanos + this.eraseNs;
    }
  }
}
