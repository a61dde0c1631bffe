//! Frames in a stream of bytes: written, found again after garbage, counted.
//!
//! One [`Decoder`] serves both sides. It holds at most one frame, takes bytes in pieces of any size, and looks for the next
//! beginning inside of what a damaged frame had swallowed, so that one bad byte costs one frame.

use serde::{Deserialize, Serialize};

use crate::{HEADER, MAX_FRAME, MAX_PAYLOAD, TRAILER, VERSION, WireError, crc32};

const MARK: [u8; 2] = [0xA7, 0x4E];

/// What the payload of a frame is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A [`crate::Request`] or a [`crate::Reply`].
    Control = 1,
    /// Data as it is.
    Bytes = 2,
    /// One value, many times.
    Fill = 3,
    /// The last bytes once more.
    Repeat = 4,
}

/// One frame with its payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame<'a> {
    /// What the payload is.
    pub kind: Kind,
    /// The request that it belongs to.
    pub request: u16,
    /// Its number; see [`Sequence`].
    pub sequence: u16,
    /// The payload.
    pub payload: &'a [u8],
}

impl<'a> Frame<'a> {
    /// Returns the message of a control frame.
    ///
    /// # Errors
    /// [`WireError::Kind`] for a data frame, [`WireError::Malformed`] when the payload is no such message or longer than it.
    pub fn message<T: Deserialize<'a>>(&self) -> Result<T, WireError> {
        if self.kind != Kind::Control {
            return Err(WireError::Kind { kind: self.kind as u8 });
        }
        match postcard::take_from_bytes(self.payload) {
            Ok((message, [])) => Ok(message),
            _ => Err(WireError::Malformed { len: self.payload.len() }),
        }
    }
}

/// Writes a control frame into `out` and returns its length.
///
/// # Errors
/// [`WireError::Room`] when the message does not fit into `out` or into a frame.
pub fn encode<T: Serialize>(out: &mut [u8], request: u16, sequence: u16, message: &T) -> Result<usize, WireError> {
    let room = out.len().min(MAX_FRAME).saturating_sub(HEADER + TRAILER);
    let too_long = WireError::Room { room };
    let payload = out.get_mut(HEADER..HEADER + room).ok_or(too_long)?;
    let len = postcard::to_slice(message, payload).map_err(|_| too_long)?.len();
    seal(out, Kind::Control, request, sequence, len)
}

/// Makes a frame of the payload of `len` bytes that already stands at [`HEADER`] in `out`, and returns the frame's length.
///
/// So a block that was read by DMA is sent from where it lies.
///
/// # Errors
/// [`WireError::Room`] when `len` is over [`MAX_PAYLOAD`] or the frame does not fit into `out`.
pub fn seal(out: &mut [u8], kind: Kind, request: u16, sequence: u16, len: usize) -> Result<usize, WireError> {
    let room = out.len().saturating_sub(HEADER + TRAILER).min(MAX_PAYLOAD);
    if len > room || out.len() < HEADER + TRAILER {
        return Err(WireError::Room { room });
    }
    out[..2].copy_from_slice(&MARK);
    out[2] = VERSION;
    out[3] = kind as u8;
    out[4..6].copy_from_slice(&request.to_le_bytes());
    out[6..8].copy_from_slice(&sequence.to_le_bytes());
    #[expect(clippy::cast_possible_truncation, reason = "at most MAX_PAYLOAD")]
    out[8..10].copy_from_slice(&(len as u16).to_le_bytes());
    let check = header_check(out);
    out[10..12].copy_from_slice(&check);
    let sum = crc32(&out[..HEADER + len]);
    out[HEADER + len..HEADER + len + TRAILER].copy_from_slice(&sum.to_le_bytes());
    Ok(HEADER + len + TRAILER)
}

/// Finds frames in a stream.
#[derive(Debug)]
pub struct Decoder {
    buf: [u8; MAX_FRAME],
    have: usize,
    /// Bytes at the front that were handed out with the last frame.
    used: usize,
    dropped: u32,
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

impl Decoder {
    /// An empty one.
    #[must_use]
    pub const fn new() -> Self {
        Self { buf: [0; MAX_FRAME], have: 0, used: 0, dropped: 0 }
    }

    /// Returns the next frame, taking from the front of `input` what it needs; none when all of `input` is taken and no
    /// frame is whole. Call it again until it returns none.
    ///
    /// # Errors
    /// [`WireError::Version`] and [`WireError::Kind`] for a frame that is sound and not ours; the decoder goes on behind its header.
    pub fn feed(&mut self, input: &mut &[u8]) -> Result<Option<Frame<'_>>, WireError> {
        self.drop_used();
        loop {
            let need = match self.front() {
                Front::Needs(need) => need,
                Front::Foreign(error) => {
                    self.dropped = self.dropped.saturating_add(HEADER as u32);
                    self.used = HEADER;
                    return Err(error);
                }
                Front::Frame(kind, len) => {
                    self.used = HEADER + len + TRAILER;
                    return Ok(Some(Frame {
                        kind,
                        request: self.word(4),
                        sequence: self.word(6),
                        payload: &self.buf[HEADER..HEADER + len],
                    }));
                }
            };
            if input.is_empty() {
                return Ok(None);
            }
            let (taken, rest) = input.split_at(input.len().min(need - self.have));
            self.buf[self.have..self.have + taken.len()].copy_from_slice(taken);
            self.have += taken.len();
            *input = rest;
        }
    }

    /// Gives up the frame that has begun and not ended; the next [`Decoder::feed`] looks for others inside of it.
    ///
    /// For when the other side has been quiet for [`crate::PAUSE_MS`]: a frame cut short would otherwise hold back the
    /// one behind it until enough bytes have come.
    pub fn give_up(&mut self) {
        self.drop_used();
        self.discard(usize::from(self.have > 0));
    }

    /// Forgets everything, as when the pipe was opened anew.
    pub fn clear(&mut self) {
        *self = Self::new();
    }

    /// Tells whether a frame has begun and not ended.
    #[must_use]
    pub fn is_inside(&self) -> bool {
        self.have > self.used
    }

    /// Returns how many bytes belonged to no sound frame, since the start or [`Decoder::clear`].
    #[must_use]
    pub fn dropped(&self) -> u32 {
        self.dropped
    }

    /// Looks at the front of the buffer, dropping what is no frame.
    fn front(&mut self) -> Front {
        loop {
            if self.have < HEADER {
                // Garbage is dropped early, so that `is_inside` means something.
                let stays = (0..self.have).find(|&at| MARK.starts_with(&self.buf[at..self.have.min(at + 2)]));
                self.discard(stays.unwrap_or(self.have));
                return Front::Needs(HEADER);
            }
            let len = usize::from(self.word(8));
            if self.buf[..2] != MARK || self.buf[10..12] != header_check(&self.buf) {
                self.discard(1);
                self.discard_to_mark();
                continue;
            }
            if self.buf[2] != VERSION {
                return Front::Foreign(WireError::Version { theirs: self.buf[2], ours: VERSION });
            }
            let kind = match self.buf[3] {
                1 => Kind::Control,
                2 => Kind::Bytes,
                3 => Kind::Fill,
                4 => Kind::Repeat,
                kind => return Front::Foreign(WireError::Kind { kind }),
            };
            if len > MAX_PAYLOAD {
                self.discard(1);
                continue;
            }
            let whole = HEADER + len + TRAILER;
            if self.have < whole {
                return Front::Needs(whole);
            }
            if self.buf[HEADER + len..whole] == crc32(&self.buf[..HEADER + len]).to_le_bytes() {
                return Front::Frame(kind, len);
            }
            self.discard(1);
        }
    }

    fn word(&self, at: usize) -> u16 {
        u16::from_le_bytes([self.buf[at], self.buf[at + 1]])
    }

    fn discard_to_mark(&mut self) {
        let to = self.buf[..self.have].iter().position(|&byte| byte == MARK[0]).unwrap_or(self.have);
        self.discard(to);
    }

    fn discard(&mut self, count: usize) {
        self.dropped = self.dropped.saturating_add(count as u32);
        self.drop_front(count);
    }

    fn drop_used(&mut self) {
        let used = core::mem::take(&mut self.used);
        self.drop_front(used);
    }

    fn drop_front(&mut self, count: usize) {
        self.buf.copy_within(count..self.have, 0);
        self.have -= count;
    }
}

enum Front {
    /// So many bytes have to be there before more can be said.
    Needs(usize),
    Frame(Kind, usize),
    Foreign(WireError),
}

fn header_check(frame: &[u8]) -> [u8; 2] {
    let [low, high, _, _] = crc32(&frame[..10]).to_le_bytes();
    [low, high]
}

/// Counts the frames of one direction.
///
/// A sender takes numbers with [`Sequence::take`], a receiver compares them with [`Sequence::accept`]. Zero starts a count
/// over; before the first zero a receiver accepts nothing else.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Sequence {
    next: u16,
    lost: bool,
}

impl Sequence {
    /// A count at its start.
    #[must_use]
    pub const fn new() -> Self {
        Self { next: 0, lost: false }
    }

    /// Returns the number of the next frame to send: 0, 1 to 65535, 1 to 65535 and so on.
    pub fn take(&mut self) -> u16 {
        let number = self.next;
        self.next = after(number);
        number
    }

    /// Takes the number of a frame that came.
    ///
    /// # Errors
    /// [`WireError::OutOfStep`] when frames were lost or came twice, and from then on for all that comes before a zero.
    pub fn accept(&mut self, number: u16) -> Result<(), WireError> {
        if number != 0 && (self.lost || number != self.next) {
            self.lost = true;
            return Err(WireError::OutOfStep { expected: self.next, got: number });
        }
        *self = Self { next: after(number), lost: false };
        Ok(())
    }

    /// Starts the count over.
    pub fn restart(&mut self) {
        *self = Self::new();
    }
}

fn after(number: u16) -> u16 {
    number.checked_add(1).unwrap_or(1)
}
