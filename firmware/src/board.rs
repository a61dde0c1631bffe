//! The bus to the chip, the supply and the light.
//!
//! One data line: SPI1 with DMA, mode 0. Short transfers are clocked by the processor, since a DMA's interrupt takes longer than they do.
//! Two data lines: the command goes out by SPI1, then PIO0 clocks and takes DO and DI together, and a DMA fetches its bytes.

use core::sync::atomic::{AtomicU8, Ordering};

use cortex_m::asm::delay;
use embassy_rp::adc::{Adc, Blocking, Channel, Config as AdcConfig};
use embassy_rp::gpio::Pull;
use embassy_rp::peripherals::{ADC, DMA_CH0, DMA_CH1, DMA_CH2, PIN_8, PIN_11, PIN_14, PIN_26, PIO0, SPI1};
use embassy_rp::pio::program::pio_asm;
use embassy_rp::pio::{Direction, Pio, ShiftDirection, StateMachine};
use embassy_rp::spi::{Async, Config as SpiConfig, Spi};
use embassy_rp::{Peri, clocks, dma, pac};
use embassy_time::Timer;
use engine::{Board, Light};
use fixed::FixedU32;
use wire::pins::{LIGHT, SENSE, SWITCH, SWITCH_FITTED};
use wire::{BLOCK, Features, Limits, LineReport};

use crate::{Irqs, lines};

/// Slowest clock, and the one at the start.
const SLOWEST_HZ: u32 = 100_000;
/// A quarter of the processor's clock: above, half a period is shorter than what chips and leads take to answer.
const FASTEST_HZ: u32 = 31_250_000;
/// Cycles of PIO0 for one clock on two lines.
const DUAL_CYCLES: u32 = 5;
/// What the ADC measures in full, in millivolts, behind a divider by two.
const FULL_SCALE_MV: u32 = 6600;
/// Shorter transfers than this are clocked by the processor.
const SHORT: usize = 9;

/// What the board is made of.
pub struct Parts {
    pub spi: Peri<'static, SPI1>,
    pub clk: Peri<'static, PIN_14>,
    pub di: Peri<'static, PIN_11>,
    pub data_out: Peri<'static, PIN_8>,
    pub pio: Peri<'static, PIO0>,
    pub dma: (Peri<'static, DMA_CH0>, Peri<'static, DMA_CH1>, Peri<'static, DMA_CH2>),
    pub adc: Peri<'static, ADC>,
    pub sense: Peri<'static, PIN_26>,
}

/// The programmer.
pub struct Programmer {
    serial: &'static str,
    spi: Spi<'static, SPI1, Async>,
    dual: StateMachine<'static, PIO0, 0>,
    dual_dma: dma::Channel<'static>,
    adc: Adc<'static, Blocking>,
    sense: Channel<'static>,
    sense_fitted: bool,
    switch_fitted: bool,
    fed: bool,
    claimed: bool,
}

/// Sets everything up and leaves the lines released.
pub fn new(serial: &'static str, parts: Parts) -> (Lamp, Programmer) {
    let Pio { mut common, sm0: mut dual, .. } = Pio::new(parts.pio, Irqs);
    // The sample stands at the rise, three cycles after the fall at which the chip changed its lines. DI carries the lower bit.
    let program = pio_asm!(
        ".side_set 1",
        ".wrap_target",
        "pull block        side 0",
        "mov y, osr        side 0",
        "clock:",
        "mov osr, pins     side 1",
        "in osr, 1         side 1",
        "out null, 3       side 0",
        "in osr, 1         side 0",
        "jmp y-- clock     side 0",
        ".wrap",
    );
    let mut config = embassy_rp::pio::Config::default();
    // SAFETY: SPI1 and PIO0 share the pins by turns; `lines` says whose they are, and both are idle when it changes.
    let (clk, data_out) = unsafe { (parts.clk.clone_unchecked(), parts.data_out.clone_unchecked()) };
    let (clk, data_out) = (common.make_pio_pin(clk), common.make_pio_pin(data_out));
    config.use_program(&common.load_program(&program.program), &[&clk]);
    config.set_in_pins(&[&data_out]);
    config.shift_in.auto_fill = true;
    config.shift_in.threshold = 8;
    config.shift_in.direction = ShiftDirection::Left;
    config.shift_out.direction = ShiftDirection::Right;
    dual.set_config(&config);
    dual.set_pin_dirs(Direction::Out, &[&clk]);
    // Both lines are read long after they changed: no need for the two cycles of the synchroniser.
    common.set_input_sync_bypass(1 << 8 | 1 << 11, 1 << 8 | 1 << 11);
    dual.set_enable(true);

    let (tx, rx, pull) = parts.dma;
    let spi = Spi::new(parts.spi, parts.clk, parts.di, parts.data_out, tx, rx, Irqs, SpiConfig::default());
    let mut adc = Adc::new_blocking(parts.adc, AdcConfig::default());
    let mut sense = Channel::new_pin(parts.sense, Pull::None);
    let sense_fitted = is_fitted(&mut adc, &mut sense);
    let switch_fitted = tied_low(SWITCH_FITTED.gpio);
    output(LIGHT.gpio, false);
    if switch_fitted {
        output(SWITCH.gpio, true);
    }
    let mut board = Programmer {
        serial,
        spi,
        dual,
        dual_dma: dma::Channel::new(pull, Irqs),
        adc,
        sense,
        sense_fitted,
        switch_fitted,
        fed: false,
        claimed: true,
    };
    board.set_clock(SLOWEST_HZ);
    board.release();
    (Lamp, board)
}

impl Board for Programmer {
    fn features(&self) -> Features {
        let mut features = Features::READ_RANGE
            .and(Features::DIGEST_RANGE)
            .and(Features::PROGRAM_RANGE)
            .and(Features::ERASE_LIST)
            .and(Features::LINE_TEST)
            .and(Features::RISE_TIME)
            .and(Features::WATCH)
            .and(Features::DUAL);
        if self.sense_fitted {
            features = features.and(Features::SUPPLY_SENSE);
        }
        if self.switch_fitted {
            features = features.and(Features::SUPPLY_SWITCH);
        }
        features
    }

    fn limits(&self) -> Limits {
        Limits {
            max_transfer: BLOCK as u32,
            max_range: 1 << 20,
            max_blocks: wire::MAX_BLOCKS as u16,
            clock_min_hz: SLOWEST_HZ,
            clock_max_hz: FASTEST_HZ,
            drive_mv: 3300,
            round_trip_us: 2000,
            // USB 2.0, full speed, bulk: at most 19 packets of 64 bytes in a frame of 1 ms.
            bytes_per_second: 1_216_000,
        }
    }

    fn serial(&self) -> &str {
        self.serial
    }

    fn claim(&mut self) {
        if !self.claimed {
            lines::claim();
            self.claimed = true;
        }
    }

    fn release(&mut self) {
        if self.claimed {
            lines::release();
            self.claimed = false;
        }
    }

    fn select(&mut self) {
        lines::select();
    }

    fn deselect(&mut self) {
        lines::deselect();
    }

    async fn write(&mut self, bytes: &[u8]) {
        // The driver's errors cannot occur in this mode: it has none but those of its type.
        if bytes.len() < SHORT {
            let _ = self.spi.blocking_write(bytes);
            let _ = self.spi.flush();
        } else {
            let _ = self.spi.write(bytes).await;
        }
    }

    async fn read(&mut self, into: &mut [u8], data_lines: u8) {
        if into.is_empty() {
        } else if data_lines == 2 {
            lines::give_to_pio();
            self.dual.tx().push(into.len() as u32 * 4 - 1);
            self.dual.rx().dma_pull(&mut self.dual_dma, into, false).await;
            // The last byte comes before the last fall of the clock.
            delay(self.dual_divider() * DUAL_CYCLES + 8);
            lines::give_to_spi();
        } else if into.len() < SHORT {
            let _ = self.spi.blocking_read(into);
        } else {
            let _ = self.spi.read(into).await;
        }
    }

    fn set_clock(&mut self, hz: u32) -> u32 {
        let hz = hz.clamp(SLOWEST_HZ, FASTEST_HZ);
        self.spi.set_frequency(hz);
        let divider = clocks::clk_sys_freq().div_ceil(hz * DUAL_CYCLES);
        self.dual.set_clock_divider(FixedU32::from_num(divider));
        let half_period = u32::from(pac::SPI1.cpsr().read().cpsdvsr()) * (u32::from(pac::SPI1.cr0().read().scr()) + 1);
        clocks::clk_peri_freq() / half_period
    }

    async fn look(&mut self, drive: bool) -> LineReport {
        self.release();
        let supply_mv = self.supply_mv().await;
        lines::look(drive, supply_mv).await
    }

    async fn supply_mv(&mut self) -> Option<u16> {
        if !self.sense_fitted {
            return None;
        }
        let mut sum = 0;
        for _ in 0..16 {
            sum += u32::from(self.adc.blocking_read(&mut self.sense).unwrap_or(0));
        }
        Some((sum * FULL_SCALE_MV / (16 * 4096)) as u16)
    }

    fn feed(&mut self, on: bool) {
        if self.switch_fitted {
            output(SWITCH.gpio, !on);
            self.fed = on;
            // The chip's own start: 5 ms at most (data sheets' tVSL and tPUW).
            delay(clocks::clk_sys_freq() / 200);
        }
    }

    fn fed(&self) -> Option<bool> {
        self.switch_fitted.then_some(self.fed)
    }

    fn show(&mut self, light: Light) {
        SHOWN.store(light as u8, Ordering::Relaxed);
    }
}

impl Programmer {
    fn dual_divider(&self) -> u32 {
        u32::from(pac::PIO0.sm(0).clkdiv().read().int())
    }
}

/// Tells whether the divider is there: an open pin follows the pulls.
fn is_fitted(adc: &mut Adc<'static, Blocking>, sense: &mut Channel<'static>) -> bool {
    let pad = pac::PADS_BANK0.gpio(SENSE.gpio.into());
    let mut under = |up: bool| {
        pad.modify(|w| {
            w.set_pue(up);
            w.set_pde(!up);
        });
        delay(clocks::clk_sys_freq() / 10_000);
        adc.blocking_read(sense).unwrap_or(0)
    };
    // The middle of two resistors of 10 kΩ stays below 1.9 V under a pull of 50 kΩ, whatever the supply up to 3.6 V.
    let (up, down) = (under(true), under(false));
    pad.modify(|w| {
        w.set_pue(false);
        w.set_pde(false);
    });
    up < 3000 || down > 300
}

/// Tells whether a pin with its pull-up on is low.
fn tied_low(gpio: u8) -> bool {
    pac::PADS_BANK0.gpio(gpio.into()).write(|w| {
        w.set_ie(true);
        w.set_pue(true);
    });
    delay(clocks::clk_sys_freq() / 10_000);
    pac::SIO.gpio_in(0).read() >> gpio & 1 == 0
}

fn output(gpio: u8, high: bool) {
    let out = pac::SIO.gpio_out(0);
    if high { out.value_set() } else { out.value_clr() }.write_value(1 << gpio);
    pac::SIO.gpio_oe(0).value_set().write_value(1 << gpio);
    pac::IO_BANK0.gpio(gpio.into()).ctrl().write(|w| w.set_funcsel(5));
}

static SHOWN: AtomicU8 = AtomicU8::new(Light::Waiting as u8);

/// The light on the board, in tenths of a second.
pub struct Lamp;

impl Lamp {
    /// Blinks for ever.
    pub async fn run(self) {
        let mut tenth = 0_u32;
        loop {
            let shown = SHOWN.load(Ordering::Relaxed);
            let on = if shown == Light::Waiting as u8 {
                tenth % 20 == 0
            } else if shown == Light::Ready as u8 {
                true
            } else if shown == Light::Working as u8 {
                tenth % 2 == 0
            } else {
                matches!(tenth % 10, 0 | 2)
            };
            output(LIGHT.gpio, on);
            tenth = (tenth + 1) % 20;
            Timer::after_millis(100).await;
        }
    }
}
