// The six lines between board and chip, pin by pin: who drives, which pull is on, what is shorted, what is open.
//
// wires: { open: ['DO'], ground: ['CLK'], shorted: [['DI', 'CLK']], held: ['WP#'] }; held lines are high by resistors of the machine's own board,
// which are stronger than the programmer's pulls. A line that rises by a pull alone does so late: an open lead
// after 0.1 us, one with a chip and a board on it after 2 us.

export const LINES = { 'CS#': 7, DO: 8, 'WP#': 9, DI: 11, CLK: 14, 'HOLD#': 15 };

export class Wiring {
  constructor(mcu, chip, { open = [], ground = [], shorted = [], held = [] }) {
    this.mcu = mcu;
    this.nets = Object.entries(LINES).map(([name, gpio]) => ({ members: [{ name, gpio }], low: ground.includes(name), high: held.includes(name) && !open.includes(name), level: false }));
    for (const [one, other] of shorted) {
      const [a, b] = [one, other].map((name) => this.nets.find((net) => net.members.some((member) => member.name === name)));
      a.members.push(...b.members);
      a.low ||= b.low;
      a.high ||= b.high;
      this.nets.splice(this.nets.indexOf(b), 1);
    }
    for (const net of this.nets) {
      net.rises = net.members.every((member) => open.includes(member.name)) || !chip ? 100 : 2000;
      net.alarm = mcu.clock.createAlarm(() => this.put(net, true));
      for (const { gpio } of net.members) mcu.gpio[gpio].addListener(() => this.settle(net));
    }
  }

  settle(net) {
    const pins = net.members.map(({ gpio }) => this.mcu.gpio[gpio]);
    const driving = pins.filter((pin) => pin.outputEnable);
    if (net.low) return this.put(net, false);
    if (driving.length) return this.put(net, driving.every((pin) => pin.outputValue));
    if (net.high) return this.put(net, true);
    if (pins.some((pin) => pin.pulldownEnabled)) return this.put(net, false);
    if (pins.some((pin) => pin.pullupEnabled) && !net.level) net.alarm.schedule(net.rises);
  }

  /** The chip is stronger than any pull. */
  chipDrives(name, level) {
    this.put(this.nets.find((net) => net.members.some((member) => member.name === name)), level);
  }

  put(net, level) {
    net.alarm.cancel();
    net.level = level;
    for (const { gpio } of net.members) this.mcu.gpio[gpio].setInputValue(level);
  }
}
