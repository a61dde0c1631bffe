// An RP2040 board with the firmware on it, wired to a chip. The package rp2040js emulates the processor and its
// peripherals; what it leaves out, or does in a way that the firmware can see, is done here and only here:
//
// - there is no boot ROM: its copy of the second stage to RAM is made from outside;
// - SPI answers at once: here a byte takes the time that it takes at the SPI's rate, else the DMA overruns;
// - PIO runs by itself in bursts: here each machine is stepped by the processor's cycles and its own divider;
// - the flash's own SPI knows one command: here it answers the unique id;
// - pulls do nothing: here a net of wires gives every line its level.
//
// Emulated time says nothing about hardware. It is counted by instructions and by alarms.

import { RP2040 } from 'rp2040js';
import { flashOf } from './uf2.mjs';
import { Usb } from './usb.mjs';
import { Wiring } from './wiring.mjs';

const NS_PER_CYCLE = 8;

export class Board {
  /** `uf2`: the file's bytes. `chip`: a Chip, or nothing. `wires`: faults of the wiring. `supplyMv`: null without divider. */
  constructor(uf2, { chip = null, wires = {}, supplyMv = null, switchFitted = false, uniqueId = 'e6616408434c6a2b' } = {}) {
    const mcu = (this.mcu = new RP2040());
    this.complaints = new Map();
    const note = (who, text) => this.complaints.set(`${who}: ${text}`, (this.complaints.get(`${who}: ${text}`) ?? 0) + 1);
    mcu.logger = { debug() {}, info() {}, warn: note, error: note };
    mcu.onBreak = () => { this.broken = 'a breakpoint'; };
    mcu.peripherals[0x40058].onWatchdogTrigger = () => { this.broken = 'the watchdog'; };
    const flash = flashOf(uf2);
    mcu.flash.set(flash, 0);
    mcu.sram.set(flash.subarray(0, 256), 0x41f00);
    mcu.core.SP = mcu.core.PC = 0x20041f00;
    mcu.core.LR = 0;
    mcu.core.waiting = false;
    this.instructions = 0;
    this.ownFlash(Buffer.from(uniqueId, 'hex'));
    this.supplyMv = supplyMv;
    this.supply(switchFitted);
    this.wiring = new Wiring(mcu, chip, wires);
    this.attach(chip);
    for (const pio of mcu.pio) pio.run = () => {};
    for (const pio of mcu.pio) for (const machine of pio.machines) machine.owed = 0;
    this.usb = new Usb(this);
  }

  get ms() { return this.mcu.clock.nanos / 1e6; }

  /** The flash that holds the firmware, as far as its SPI is used directly: 4Bh. */
  ownFlash(uniqueId) {
    const ssi = this.mcu.peripherals[0x18000], read = ssi.readUint32.bind(ssi), write = ssi.writeUint32.bind(ssi);
    let sent = 0, answer = 0;
    const pins = this.mcu.peripherals[0x40018];
    let select = 0;
    pins.readUint32 = (offset) => (offset === 0x0c ? select : 0);
    pins.writeUint32 = (offset, value) => { if (offset === 0x0c) { select = value; sent = 0; } };
    ssi.writeUint32 = (offset, value) => {
      if (offset !== 0x60) return write(offset, value);
      if (((select >> 8) & 3) !== 2) return write(offset, value);
      if (sent === 0 && value !== 0x4b) throw new Error(`the flash was asked ${value.toString(16)}`);
      answer = sent >= 5 ? uniqueId[sent - 5] ?? 0xff : 0xff;
      sent++;
    };
    ssi.readUint32 = (offset) => (offset === 0x60 && sent ? answer : read(offset));
  }

  /** The ADC's pin with its divider, or open; the strap of the switch and the switch itself. */
  supply(switchFitted) {
    const { adc, gpio } = this.mcu;
    adc.onADCRead = (channel) => {
      const open = gpio[26].pullupEnabled ? 4095 : gpio[26].pulldownEnabled ? 0 : 1234;
      const sensed = this.supplyMv === null ? open : Math.round((this.supplyMv / 6600) * 4095);
      adc.currentChannel = channel;
      adc.completeADCRead(channel === 0 ? sensed : 0, false);
    };
    gpio[27].setInputValue(!switchFitted);
    if (switchFitted) gpio[22].addListener((value) => { if (value < 2) this.supplyMv = value === 0 ? 3300 : 0; });
  }

  /** Byte by byte over SPI1, bit by bit while PIO has the clock. */
  attach(chip) {
    const { mcu } = this, spi = mcu.spi[1];
    let answer = 0xff;
    const alarm = mcu.clock.createAlarm(() => spi.completeTransmit(answer));
    spi.onTransmit = (byte) => {
      this.spiBytes = (this.spiBytes ?? 0) + 1;
      answer = chip ? chip.exchange(byte) : 0xff;
      alarm.schedule(8e9 / spi.clockFrequency);
    };
    if (!chip) return;
    chip.clock = mcu.clock;
    mcu.gpio[7].addListener((value) => chip.select(value === 0));
    this.clockFalls = 0;
    mcu.gpio[14].addListener((value, before) => {
      const byPio = mcu.gpio[14].functionSelect === 6;
      if (byPio && value !== 1 && before !== 1) this.putPair(chip); // PIO takes over: the chip shows its first pair
      if (byPio && value === 0 && before === 1) { this.clockFalls++; chip.pair++; this.putPair(chip); }
    });
  }

  putPair(chip) {
    const bits = chip.dual();
    if (bits === null) return;
    this.wiring.chipDrives('DO', !!(bits & 2));
    this.wiring.chipDrives('DI', !!(bits & 1));
  }

  stepPio(cycles) {
    for (const pio of this.mcu.pio) {
      if (pio.stopped) continue;
      for (let cycle = 0; cycle < cycles; cycle++) {
        for (const machine of pio.machines) {
          if (!machine.enabled) continue;
          const divider = machine.clockDivInt + machine.clockDivFrac / 256;
          if (++machine.owed >= divider) { machine.owed -= divider; machine.step(); }
        }
        pio.checkChangedPins();
      }
    }
  }

  /** Runs until `done()`, which is asked every eight turns and in each pause, or throws after `ms` of emulated time. */
  until(done, ms = 20000, what = 'it') {
    const { core, clock } = this.mcu, end = clock.nanos + ms * 1e6;
    const machines = this.mcu.pio.flatMap((pio) => pio.machines);
    const pioRuns = () => {
      for (let at = 0; at < 8; at++) if (machines[at].enabled && !machines[at].waiting) return true;
      return false;
    };
    // PIO starts by a write of the processor or of a DMA: looking now and then misses a few cycles and no edge.
    for (let turn = 0, pio = pioRuns(); ; turn++) {
      if (core.waiting) {
        pio = pioRuns();
        if (pio) { this.stepPio(1); clock.tick(NS_PER_CYCLE); }
        else if (clock.nextAlarm) clock.tick(clock.nanosToNextAlarm);
        else throw new Error('the firmware sleeps and nothing will wake it');
      } else {
        const cycles = core.executeInstruction();
        if ((turn & 3) === 0) pio = pioRuns();
        if (pio) this.stepPio(cycles);
        clock.tick(cycles * NS_PER_CYCLE);
        this.instructions++;
      }
      if ((turn & 7) !== 0 && !core.waiting) continue;
      if (done()) return;
      if (this.broken) throw new Error(`stopped by ${this.broken} at ${core.PC.toString(16)}`);
      if (clock.nanos > end) throw new Error(`${ms} ms of emulated time have passed without ${what}`);
    }
  }

  run(ms) {
    const end = this.mcu.clock.nanos + ms * 1e6;
    const alarm = this.mcu.clock.createAlarm(() => {});
    alarm.schedule(ms * 1e6);
    this.until(() => this.mcu.clock.nanos >= end, ms + 1000);
  }
}
