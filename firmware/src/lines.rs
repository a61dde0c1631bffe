//! The chip's lines as single pins: who drives them, which pull is on, what level they have; and the line test.
//!
//! Three states: released (inputs; pull-ups on all but clock and data-in, which have none), bus (SPI1 or PIO has clock and data) and
//! looked at (the test sets pulls and drives one line at a time). Registers are written directly, because a line changes its owner
//! with each request and the usual drivers keep a pin for good.
//!
//! The test drives with 2 mA and for less than 0.1 ms, so that a line which something holds survives it. Clock moves by at most one
//! edge while chip select is low, so no command comes of it.

use cortex_m::asm::delay;
use embassy_rp::pac;
use embassy_rp::pac::pads::vals::Drive;
use embassy_time::Timer;
use wire::pins::SIGNALS;
use wire::{LineReport, LineState};

/// GPIO numbers from the plan, in the order of [`SIGNALS`].
const PINS: [u8; 6] = {
    let mut pins = [0; 6];
    let mut at = 0;
    while at < 6 {
        pins[at] = match SIGNALS[at].gpio {
            Some(gpio) => gpio,
            None => panic!("a signal without a GPIO"),
        };
        at += 1;
    }
    pins
};
/// Places in [`SIGNALS`].
const CHIP_SELECT: usize = 0;
const DATA_OUT: usize = 1;
const WRITE_PROTECT: usize = 2;
const DATA_IN: usize = 3;
const CLOCK: usize = 4;
const HOLD: usize = 5;
/// Functions of a pin, the same number for all of ours (RP2040 data sheet, "GPIO functions").
const SPI: u8 = 1;
const SIO: u8 = 5;
const PIO: u8 = 6;
/// What a pull of 50 to 80 kΩ needs for a lead and an input of 300 pF.
const SETTLE_US: u64 = 60;
/// A line that has not risen by then does not.
const RISE_LIMIT_CYCLES: u32 = 5000;
/// 125 MHz.
const NS_PER_CYCLE: u32 = 8;
/// The loop's own time between the change of the pull and the first look, from the listing.
const RISE_OVERHEAD_CYCLES: u32 = 8;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Pull {
    None,
    Up,
    Down,
}

/// Makes all lines inputs. May be called at any time.
pub fn release() {
    for (at, &pin) in PINS.iter().enumerate() {
        pad(pin, if matches!(at, DATA_IN | CLOCK) { Pull::None } else { Pull::Up }, Drive::_4M_A);
        float(pin);
        function(pin, SIO);
    }
}

/// Makes the lines a bus.
pub fn claim() {
    for at in [WRITE_PROTECT, HOLD] {
        // What the board holds low stays as it is: driving against it would gain nothing.
        if level(PINS[at]) {
            pad(PINS[at], Pull::Up, Drive::_2M_A);
            drive(PINS[at], true);
        }
    }
    deselect();
    give_to_spi();
}

/// Gives clock and data to SPI1.
pub fn give_to_spi() {
    for at in [CLOCK, DATA_IN, DATA_OUT] {
        pad(PINS[at], if at == DATA_OUT { Pull::Up } else { Pull::None }, Drive::_8M_A);
        function(PINS[at], SPI);
    }
}

/// Gives clock to PIO0 and makes both data lines inputs.
pub fn give_to_pio() {
    pad(PINS[DATA_IN], Pull::Up, Drive::_8M_A);
    float(PINS[DATA_IN]);
    function(PINS[DATA_IN], SIO);
    function(PINS[CLOCK], PIO);
}

/// Chip select low.
pub fn select() {
    drive(PINS[CHIP_SELECT], false);
}

/// Chip select high.
pub fn deselect() {
    drive(PINS[CHIP_SELECT], true);
    // Chips want up to 100 ns between two commands; 25 cycles are 200 ns.
    delay(25);
}

/// Looks at all lines under both pulls; drives each alone when `drives` says so. The lines are released before and after.
pub async fn look(drives: bool, supply_mv: Option<u16>) -> LineReport {
    release();
    let mut lines = [LineState::default(); 6];
    let up = levels(Pull::Up).await;
    let down = levels(Pull::Down).await;
    for (at, line) in lines.iter_mut().enumerate() {
        line.pulled_up = up & 1 << at != 0;
        line.pulled_down = down & 1 << at != 0;
        if line.pulled_up && !line.pulled_down {
            line.rise_ns = least_rise_ns(PINS[at]).await;
        }
    }
    if drives {
        for at in 0..6 {
            lines[at].moved = moved(at).await;
        }
    }
    release();
    LineReport { lines, supply_mv }
}

/// Returns the levels of all lines under one pull.
async fn levels(pull: Pull) -> u8 {
    for pin in PINS {
        pad(pin, pull, Drive::_2M_A);
    }
    Timer::after_micros(SETTLE_US).await;
    now()
}

/// Returns which lines followed this one low and high.
async fn moved(at: usize) -> u8 {
    let mut followed = 0xFF;
    for high in [false, true] {
        for pin in PINS {
            pad(pin, if high { Pull::Down } else { Pull::Up }, Drive::_2M_A);
        }
        pad(PINS[at], Pull::None, Drive::_2M_A);
        drive(PINS[at], high);
        Timer::after_micros(SETTLE_US).await;
        followed &= if high { now() } else { !now() };
        float(PINS[at]);
    }
    followed & 0x3F
}

/// Returns the least of three times of rise: the first run of the loop waits for the flash as well.
async fn least_rise_ns(pin: u8) -> Option<u32> {
    let mut least = None;
    for _ in 0..3 {
        least = rise_ns(pin).into_iter().chain(least).min();
        pad(pin, Pull::Down, Drive::_2M_A);
        Timer::after_micros(SETTLE_US).await;
    }
    least
}

/// Returns the time from pull-down to a high level under pull-up; none when it does not rise.
fn rise_ns(pin: u8) -> Option<u32> {
    let systick = pac_systick();
    cortex_m::interrupt::free(|_| {
        pad(pin, Pull::Up, Drive::_2M_A);
        let began = systick.now();
        loop {
            let risen = level(pin);
            let cycles = systick.since(began);
            if risen {
                return Some(cycles.saturating_sub(RISE_OVERHEAD_CYCLES) * NS_PER_CYCLE);
            }
            if cycles > RISE_LIMIT_CYCLES {
                return None;
            }
        }
    })
}

/// The processor's own timer, which counts down at the processor's rate.
struct Systick;

fn pac_systick() -> Systick {
    // SAFETY: nothing else in this program uses the timer, and it is set up the same way each time.
    let mut peripherals = unsafe { cortex_m::Peripherals::steal() };
    peripherals.SYST.set_clock_source(cortex_m::peripheral::syst::SystClkSource::Core);
    peripherals.SYST.set_reload(0x00FF_FFFF);
    peripherals.SYST.enable_counter();
    Systick
}

impl Systick {
    fn now(&self) -> u32 {
        cortex_m::peripheral::SYST::get_current()
    }

    fn since(&self, began: u32) -> u32 {
        began.wrapping_sub(self.now()) & 0x00FF_FFFF
    }
}

fn now() -> u8 {
    let levels = pac::SIO.gpio_in(0).read();
    PINS.iter().enumerate().fold(0, |all, (at, &pin)| all | ((levels >> pin & 1) as u8) << at)
}

fn level(pin: u8) -> bool {
    pac::SIO.gpio_in(0).read() >> pin & 1 == 1
}

fn drive(pin: u8, high: bool) {
    let out = pac::SIO.gpio_out(0);
    if high { out.value_set() } else { out.value_clr() }.write_value(1 << pin);
    pac::SIO.gpio_oe(0).value_set().write_value(1 << pin);
}

fn float(pin: u8) {
    pac::SIO.gpio_oe(0).value_clr().write_value(1 << pin);
}

fn pad(pin: u8, pull: Pull, strength: Drive) {
    pac::PADS_BANK0.gpio(pin.into()).write(|w| {
        w.set_ie(true);
        w.set_schmitt(true);
        w.set_drive(strength);
        w.set_pue(pull == Pull::Up);
        w.set_pde(pull == Pull::Down);
    });
}

fn function(pin: u8, function: u8) {
    pac::IO_BANK0.gpio(pin.into()).ctrl().write(|w| w.set_funcsel(function));
}
