//! A chip on paper: answers that a test writes down, without bench, link or clock.
//!
//! It shares nothing with the virtual bench, so that a conversation can be judged request by request.

use driver::{Op, Step};
use nor::link::{Answer, Features, Limits, LinkError, Request};

/// A link that does single transfers of at most 300 bytes and nothing else.
pub fn transfers_only() -> Limits {
    Limits {
        max_transfer: 300,
        max_range: 0,
        clock_hz: (100_000, 20_000_000),
        features: Features::default(),
        drives: None,
        round_trip_us: 0,
        bytes_per_second: None,
    }
}

/// Time that each request takes here.
pub const REQUEST_US: u64 = 10;

/// Has the whole conversation: every request goes to `chip`, every wait passes at once. Gives the result, the requests
/// in order, and the time at the end.
pub fn converse<T>(
    mut op: Op<'_, T>,
    mut chip: impl FnMut(&Request, u64) -> Result<Answer, LinkError>,
) -> (T, Vec<Request>, u64) {
    let (mut now, mut asked) = (0, Vec::new());
    loop {
        match op.poll(now) {
            Step::Done(result) => return (result, asked, now),
            Step::WaitUntil(until) => now = until,
            Step::Request { request, .. } => {
                let request = request.clone();
                let answer = chip(&request, now);
                asked.push(request);
                now += REQUEST_US;
                op.handle(now, answer);
            }
        }
    }
}

/// The opcodes of the transfers among `asked`, repeated ones once.
pub fn opcodes(asked: &[Request]) -> Vec<u8> {
    let mut opcodes: Vec<u8> = asked.iter().filter_map(|request| transfer(request)?.0.first().copied()).collect();
    opcodes.dedup();
    opcodes
}

/// What a transfer writes, and how much it reads.
pub fn transfer(request: &Request) -> Option<(&[u8], u32)> {
    match request {
        Request::Transfer(transfer) => Some((&transfer.write, transfer.read)),
        _ => None,
    }
}

/// A chip that answers rightly; tests change single answers.
#[derive(Debug, Clone)]
pub struct Paper {
    pub id: Vec<u8>,
    pub tables: Vec<u8>,
    pub status: [u8; 3],
    /// Its content repeats from here on.
    pub size: u32,
    /// The write enable latch can be set.
    pub enables: bool,
    latch: bool,
}

impl Paper {
    /// A chip without tables.
    pub fn new(id: &[u8], size: u32) -> Self {
        Self { id: id.to_vec(), tables: Vec::new(), status: [0; 3], size, enables: true, latch: false }
    }

    /// Answers one request; content and unique id are made of their addresses.
    pub fn answer(&mut self, request: &Request) -> Result<Answer, LinkError> {
        let Some((write, read)) = transfer(request) else {
            let Request::SetClock { hz } = request else { panic!("not on paper: {request:?}") };
            return Ok(Answer::Clock { hz: *hz });
        };
        let at = |bytes: &[u8]| bytes.iter().fold(0_u32, |at, byte| at << 8 | u32::from(*byte));
        let bytes = (0..read).map(|index| match write[0] {
            0x9F => self.id[index as usize % self.id.len()],
            0x05 => self.status[0] | u8::from(self.latch) << 1,
            0x35 => self.status[1],
            0x15 => self.status[2],
            0x4B => 0x40 + index as u8,
            0x5A => self.tables.get((at(&write[1..4]) + index) as usize).copied().unwrap_or(0xFF),
            0x03 => ((at(&write[1..]) + index) % self.size).wrapping_mul(0x9E37_79B1).to_be_bytes()[0],
            _ => 0xFF,
        });
        let bytes = bytes.collect();
        match write[0] {
            0x06 => self.latch = self.enables,
            0x02 | 0x04 | 0x20 | 0x52 | 0xD8 => self.latch = false,
            _ => {}
        }
        Ok(Answer::Bytes(bytes))
    }
}
