// A USB host for the emulated board: control transfers, bulk packets at the pace of full speed, reset and suspend.
//
// The package finishes a packet as soon as the firmware hands it over. Here it waits until the host takes it, one each 53 us: at
// most nineteen bulk packets of 64 bytes fit into a millisecond (USB 2.0). And an OUT buffer stays "available" until data is in it, as
// in the hardware, since the firmware's driver looks at that bit. The end of a suspension is written by the firmware: the package
// does not know that bit.

const AVAILABLE = 1 << 10, STALL = 1 << 11, SUSPENDED = 1 << 4;
const SIE_STATUS = 0x50;
const PACKET_NS = 53000;

export class Usb {
  constructor(board) {
    this.board = board;
    const { mcu } = board, usb = (this.controller = mcu.usbCtrl), ram = mcu.usbDPRAMView;
    const outControl = (ep) => 0x84 + ep * 8;
    this.queue = new Map(); // packets to send, by endpoint
    this.armed = new Set(); // OUT endpoints that wait for a packet
    this.flying = new Set(); // those of them that are on the wire
    this.held = new Map(); // IN packets that the host has not taken, by offset of their buffer control
    this.inbox = new Map(); // what the host took, by endpoint
    this.taking = true;
    this.wants = () => true; // whether the host asks an endpoint for a packet
    this.sent = () => {}; // a packet went out
    this.came = (ep, data) => { // a packet came
      const box = this.inbox.get(ep) ?? [];
      box.push(data);
      this.inbox.set(ep, box);
    };
    this.bytes = { out: 0, in: 0 }; // bulk
    this.packets = { out: 0, in: 0 };

    const finish = usb.finishRead.bind(usb);
    usb.finishRead = (ep, data) => {
      ram.setUint32(outControl(ep), ram.getUint32(outControl(ep), true) & ~AVAILABLE, true);
      finish(ep, data);
    };
    const updated = usb.DPRAMUpdated.bind(usb), alarms = new Map();
    this.take = (offset) => {
      if (!alarms.has(offset)) alarms.set(offset, mcu.clock.createAlarm(() => {
        this.flying.delete(offset);
        if (!this.held.delete(offset)) return;
        updated(offset, ram.getUint32(offset, true));
      }));
      this.flying.add(offset);
      alarms.get(offset).schedule(PACKET_NS);
    };
    usb.DPRAMUpdated = (offset, value) => {
      if (offset < 0x80 || offset > 0xfc) return updated(offset, value);
      const ep = (offset - 0x80) >> 3, out = !!(offset & 4);
      if (value & STALL) {
        if (ep > 0 || usb.epStallArm & (out ? 2 : 1)) this.stalled?.();
        return;
      }
      if (out || ep === 0) return updated(offset, value);
      if (!(value & AVAILABLE)) return;
      this.held.set(offset, true);
      if (this.taking && this.wants(ep)) this.take(offset);
    };
    const write = usb.writeUint32.bind(usb);
    usb.writeUint32 = (offset, value) => {
      if (offset === SIE_STATUS && usb.rawWriteValue & SUSPENDED) usb.sieStatus &= ~SUSPENDED;
      write(offset, value);
    };
    usb.onUSBEnabled = () => usb.resetDevice();
    usb.onResetReceived = () => { this.wasReset = true; };
    usb.onEndpointWrite = (ep, data) => {
      if (ep === 0) return this.control0?.in(data);
      this.bytes.in += data.length;
      this.packets.in++;
      this.came(ep, Buffer.from(data));
    };
    usb.onEndpointRead = (ep, size) => {
      ram.setUint32(outControl(ep), ram.getUint32(outControl(ep), true) | AVAILABLE, true);
      if (ep === 0) return this.control0?.out(size);
      this.armed.add(ep);
      this.pump(ep);
    };
  }

  /** Whether the host asks for IN packets. */
  set reading(on) {
    this.taking = on;
    if (on) this.look();
  }

  /** Takes the packets that are held and wanted. */
  look() {
    for (const offset of this.held.keys()) if (this.wants((offset - 0x80) >> 3) && !this.flying.has(offset)) this.take(offset);
  }

  pump(ep) {
    const queue = this.queue.get(ep);
    if (!queue?.length || !this.armed.has(ep)) return;
    this.armed.delete(ep);
    const packet = queue.shift();
    this.bytes.out += packet.length;
    this.packets.out++;
    this.controller.endpointReadDone(ep, packet, PACKET_NS / 1000);
    this.sent(ep, packet.length);
  }

  send(pipe, data) {
    const queue = this.queue.get(pipe.out) ?? [];
    for (let at = 0; at < data.length; at += 64) queue.push(data.subarray(at, at + 64));
    this.queue.set(pipe.out, queue);
    this.pump(pipe.out);
  }

  /** Takes what came, all of it. */
  received(pipe) {
    const box = this.inbox.get(pipe.in) ?? [];
    return box.splice(0);
  }

  /** What an ended program leaves behind: nothing queued either way. */
  forget() {
    this.queue.clear();
    this.inbox.clear();
  }

  /** Three milliseconds without a word, as the firmware sees them. */
  suspend() {
    this.forget();
    this.reading = false;
    this.controller.sieStatus |= SUSPENDED;
    this.controller.sieStatusUpdated();
  }

  /** Resets the bus and sets the device up again, as after replugging. */
  replug() {
    this.forget();
    this.armed.clear();
    this.held.clear();
    this.flying.clear();
    this.reading = true;
    this.wasReset = false;
    this.controller.resetDevice();
    this.enumerate();
  }

  /** Returns the answer; null when the device refuses. */
  control(type, request, value, index, length, data = Buffer.alloc(0)) {
    const { controller, board } = this, fromDevice = !!(type & 0x80), got = [];
    const empty = () => controller.endpointReadDone(0, new Uint8Array(0));
    let ended = false, refused = false, statusArmed = false, sent = false;
    this.stalled = () => { refused = true; };
    this.control0 = {
      in: (packet) => {
        if (!fromDevice || !length) { ended = true; return; }
        if (ended) return;
        got.push(...packet);
        if (packet.length < 64 || got.length >= length) { ended = true; if (statusArmed) empty(); }
      },
      out: () => {
        if (fromDevice) { statusArmed = true; if (ended) empty(); }
        else if (data.length && !sent) { sent = true; controller.endpointReadDone(0, data); }
      },
    };
    const setup = Buffer.alloc(8);
    setup[0] = type;
    setup[1] = request;
    setup.writeUInt16LE(value, 2);
    setup.writeUInt16LE(index, 4);
    setup.writeUInt16LE(length, 6);
    controller.epStallArm = 0; // the hardware does this at each SETUP
    controller.sendSetupPacket(setup);
    board.until(() => ended || refused, 2000, 'an answer to a control request');
    board.run(0.3);
    this.control0 = this.stalled = null;
    return refused ? null : Buffer.from(got.slice(0, length));
  }

  /** Waits for the reset, gives an address and reads the descriptors. */
  address() {
    this.board.until(() => this.wasReset, 2000, 'the bus reset');
    this.board.run(0.3);
    this.device = this.control(0x80, 6, 0x0100, 0, 18);
    this.control(0, 5, 1, 0, 0);
    const length = this.control(0x80, 6, 0x0200, 0, 9).readUInt16LE(2);
    this.configuration = this.control(0x80, 6, 0x0200, 0, length);
  }

  /** Sets the device up and finds its two pipes. */
  enumerate() {
    this.address();
    this.control(0, 9, 1, 0, 0);
    const { length } = this.configuration, pipe = { 255: {}, 10: {} };
    let kind;
    for (let at = 0; at < length; at += this.configuration[at]) {
      const [, type, second, attributes] = this.configuration.subarray(at);
      if (type === 4) kind = this.configuration[at + 5];
      if (type === 5 && (attributes & 3) === 2) pipe[kind][second & 0x80 ? 'in' : 'out'] = second & 15;
    }
    this.bulk = pipe[255];
    this.port = pipe[10];
  }

  text(index) {
    return this.control(0x80, 6, 0x0300 | index, 0x0409, 255).subarray(2).toString('utf16le');
  }
}
