//! Data frames: the bytes that a range holds, in as few as say the same.
//!
//! Half of a chip is often blank, and blank space costs the slow USB as much as content does when it is sent byte by byte. So
//! each block goes as bytes, as one value and a count, or as a repetition of what came before it.

use crate::{BLOCK, Frame, HEADER, Kind, WireError, seal};

/// A piece of a range's content.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Data<'a> {
    /// These bytes; at most [`BLOCK`].
    Bytes(&'a [u8]),
    /// So many bytes of one value.
    Fill {
        /// The value.
        value: u8,
        /// How many.
        len: u32,
    },
    /// The last `len` bytes of the same answer once more.
    Repeat {
        /// How many; there were at least so many.
        len: u32,
    },
}

impl<'a> Data<'a> {
    /// Returns the shortest way to say `block`, the block before it being `before`.
    #[must_use]
    pub fn shortest(block: &'a [u8], before: Option<&[u8]>) -> Self {
        let len = block.len() as u32;
        match block {
            [value, rest @ ..] if rest.iter().all(|byte| byte == value) => Self::Fill { value: *value, len },
            _ if before == Some(block) => Self::Repeat { len },
            _ => Self::Bytes(block),
        }
    }

    /// Returns what a data frame says.
    ///
    /// # Errors
    /// [`WireError::Kind`] for a control frame, [`WireError::Malformed`] for a payload of the wrong length.
    pub fn of(frame: &Frame<'a>) -> Result<Self, WireError> {
        let malformed = WireError::Malformed { len: frame.payload.len() };
        match (frame.kind, frame.payload) {
            (Kind::Control, _) => Err(WireError::Kind { kind: Kind::Control as u8 }),
            (Kind::Bytes, bytes) if !bytes.is_empty() && bytes.len() <= BLOCK => Ok(Self::Bytes(bytes)),
            (Kind::Fill, &[value, a, b, c, d]) => Ok(Self::Fill { value, len: u32::from_le_bytes([a, b, c, d]) }),
            (Kind::Repeat, &[a, b, c, d]) => Ok(Self::Repeat { len: u32::from_le_bytes([a, b, c, d]) }),
            _ => Err(malformed),
        }
    }

    /// Returns how many bytes of content this stands for.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a count of content, not of elements")]
    pub fn len(&self) -> u32 {
        match *self {
            Self::Bytes(bytes) => bytes.len() as u32,
            Self::Fill { len, .. } | Self::Repeat { len } => len,
        }
    }

    /// Writes the frame into `out` and returns its length.
    ///
    /// # Errors
    /// [`WireError::Room`] when it does not fit.
    pub fn encode(&self, out: &mut [u8], request: u16, sequence: u16) -> Result<usize, WireError> {
        let room = WireError::Room { room: out.len().saturating_sub(HEADER) };
        let (kind, len) = match *self {
            Self::Bytes(bytes) => {
                out.get_mut(HEADER..HEADER + bytes.len()).ok_or(room)?.copy_from_slice(bytes);
                (Kind::Bytes, bytes.len())
            }
            Self::Fill { value, len } => {
                let payload = out.get_mut(HEADER..HEADER + 5).ok_or(room)?;
                payload[0] = value;
                payload[1..].copy_from_slice(&len.to_le_bytes());
                (Kind::Fill, 5)
            }
            Self::Repeat { len } => {
                out.get_mut(HEADER..HEADER + 4).ok_or(room)?.copy_from_slice(&len.to_le_bytes());
                (Kind::Repeat, 4)
            }
        };
        seal(out, kind, request, sequence, len)
    }
}
