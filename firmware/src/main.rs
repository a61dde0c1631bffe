//! The firmware of firmhand's own programmer, for boards with an RP2040.
//!
//! | module | is for |
//! |---|---|
//! | `engine` (crate) | what a request does; knows no hardware |
//! | `board` | the chip's bus: SPI1 with DMA, PIO for two data lines, supply, light |
//! | `lines` | single pins: pulls, levels, the line test |
//! | `usb` | descriptors, the bulk pair and the serial pair |
//! | `serial` | the board's serial number |
//!
//! One executor, one core. The watchdog is fed only while the futures that serve the host go round; after a reset the chip's lines
//! are inputs, as after power-up.

#![no_std]
#![no_main]

mod board;
mod lines;
mod serial;
mod usb;

use core::panic::PanicInfo;

use embassy_executor::Spawner;
use embassy_futures::join::{join, join3, join4};
use embassy_rp::watchdog::Watchdog;
use embassy_rp::{bind_interrupts, dma, peripherals, pio};
use embassy_time::{Duration, Instant, Timer};
use engine::{Blocks, Clock, Post, Station, listen, work};
use static_cell::ConstStaticCell;
use wire::{Decoder, MAX_FRAME};

bind_interrupts!(struct Irqs {
    USBCTRL_IRQ => embassy_rp::usb::InterruptHandler<peripherals::USB>;
    PIO0_IRQ_0 => pio::InterruptHandler<peripherals::PIO0>;
    DMA_IRQ_0 => dma::InterruptHandler<peripherals::DMA_CH0>, dma::InterruptHandler<peripherals::DMA_CH1>,
        dma::InterruptHandler<peripherals::DMA_CH2>;
});

static POSTS: ConstStaticCell<[Post; 2]> = ConstStaticCell::new([const { Post::new() }; 2]);
static DECODERS: ConstStaticCell<[Decoder; 2]> = ConstStaticCell::new([const { Decoder::new() }; 2]);
static SCRATCH: ConstStaticCell<[[u8; MAX_FRAME]; 2]> = ConstStaticCell::new([[0; MAX_FRAME]; 2]);
static BLOCKS: ConstStaticCell<Blocks> = ConstStaticCell::new([[0; MAX_FRAME]; 3]);

#[embassy_executor::main]
async fn main(_spawner: Spawner) {
    let p = embassy_rp::init(embassy_rp::config::Config::default());
    lines::release();
    let serial = serial::read();
    let clock = Time;
    let posts: &'static [Post; 2] = POSTS.take();
    let usb::Usb { mut device, bulk, port } = usb::new(p.USB, serial, posts);
    let (light, board) = board::new(
        serial,
        board::Parts {
            spi: p.SPI1,
            clk: p.PIN_14,
            di: p.PIN_11,
            data_out: p.PIN_8,
            pio: p.PIO0,
            dma: (p.DMA_CH0, p.DMA_CH1, p.DMA_CH2),
            adc: p.ADC,
            sense: p.PIN_26,
        },
    );
    let station = Station::new(board, BLOCKS.take());
    let [first, second] = DECODERS.take();
    let [scratch, other_scratch] = SCRATCH.take();
    let (mut inbox, mut outbox) = bulk;
    let (mut port_inbox, mut port_outbox) = port;
    let bulk =
        join(listen(&mut inbox, &clock, &posts[0], first), work(0, &station, &mut outbox, &clock, &posts[0], scratch));
    let port = join(
        listen(&mut port_inbox, &clock, &posts[1], second),
        work(1, &station, &mut port_outbox, &clock, &posts[1], other_scratch),
    );
    join4(device.run(), bulk, port, join3(light.run(), guard(p.WATCHDOG, &station), async {})).await;
}

/// Feeds the watchdog as long as work goes round.
async fn guard<B: engine::Board>(watchdog: embassy_rp::Peri<'static, peripherals::WATCHDOG>, station: &Station<'_, B>) {
    // Longest without a turn: a block at the slowest clock, 0.33 s.
    const PATIENCE: Duration = Duration::from_secs(3);
    let mut watchdog = Watchdog::new(watchdog);
    watchdog.start(PATIENCE);
    let mut seen = station.turns();
    loop {
        Timer::after_millis(250).await;
        if station.turns() != seen {
            seen = station.turns();
            watchdog.feed(PATIENCE);
        }
    }
}

/// The time since the start.
struct Time;

impl Clock for Time {
    fn now_us(&self) -> u64 {
        Instant::now().as_micros()
    }

    async fn wait_us(&self, us: u64) {
        Timer::after_micros(us).await;
    }
}

/// A bug. The lines are let go; the watchdog starts the board anew.
#[panic_handler]
fn panic(_info: &PanicInfo) -> ! {
    lines::release();
    loop {
        cortex_m::asm::nop();
    }
}
