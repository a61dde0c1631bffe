//! An image that several chips hold together: cut into the chips' parts, and put together again.
//!
//! The chips stand in the order of the profile's span; the first holds the image's first bytes. The decision a reader would
//! question: the image has to be exactly as long as the chips together (S8). One that is shorter could only be meant for a
//! place on one of them, and which place is for a person to say.

/// Why an image cannot be cut for a span of chips.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SpanError {
    /// The span has no chip.
    #[error("a span needs chips; this one has none")]
    NoChips,
    /// A chip has no bytes.
    #[error("chip {chip} of the span has a size of 0")]
    Empty {
        /// Which one, from 1.
        chip: usize,
    },
    /// The image's size is not that of the chips together.
    #[error("the image has {len} bytes and the {chips} chips of the span together {sum}: give an image of that size")]
    Size {
        /// Bytes in the image.
        len: usize,
        /// How many chips there are.
        chips: usize,
        /// Bytes of all chips.
        sum: u64,
    },
}

/// Returns the part of `image` for each chip, in order; `sizes` are the chips' sizes in bytes.
///
/// # Errors
///
/// [`SpanError`] when there is no chip, one of no size, or the sizes do not add up to the image's.
///
/// # Example
///
/// ```
/// let parts = image::span::split(b"firmware", &[2, 6])?;
/// assert_eq!(parts, [&b"fi"[..], b"rmware"]);
/// assert_eq!(image::span::join(&parts), b"firmware");
/// # Ok::<(), image::span::SpanError>(())
/// ```
pub fn split<'a>(image: &'a [u8], sizes: &[u32]) -> Result<Vec<&'a [u8]>, SpanError> {
    if sizes.is_empty() {
        return Err(SpanError::NoChips);
    }
    if let Some(index) = sizes.iter().position(|size| *size == 0) {
        return Err(SpanError::Empty { chip: index + 1 });
    }
    let sum = sizes.iter().map(|size| u64::from(*size)).sum();
    let wrong = || SpanError::Size { len: image.len(), chips: sizes.len(), sum };
    let mut rest = image;
    let mut parts = Vec::new();
    for size in sizes {
        let (part, left) = rest.split_at_checked(*size as usize).ok_or_else(wrong)?;
        parts.push(part);
        rest = left;
    }
    if rest.is_empty() { Ok(parts) } else { Err(wrong()) }
}

/// Returns the image that chips with these contents hold together, in order.
pub fn join(parts: &[&[u8]]) -> Vec<u8> {
    parts.concat()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::testing::each_value;

    #[test]
    fn s8_an_image_is_as_long_as_its_chips_together_or_refused() {
        let image = [7; 12];
        assert_eq!(split(&image, &[8, 4]).unwrap().iter().map(|part| part.len()).collect::<Vec<_>>(), [8, 4]);
        for sizes in [&[8, 3][..], &[8, 5], &[11], &[12, 1], &[u32::MAX, u32::MAX]] {
            let sum = sizes.iter().map(|size| u64::from(*size)).sum();
            assert_eq!(split(&image, sizes), Err(SpanError::Size { len: 12, chips: sizes.len(), sum }));
        }
        assert_eq!(split(&image, &[12, 0]), Err(SpanError::Empty { chip: 2 }));
        assert_eq!(split(&[], &[]), Err(SpanError::NoChips));
    }

    #[test]
    fn what_is_split_joins_again() {
        let chips = prop::collection::vec(prop::collection::vec(any::<u8>(), 1..50), 1..5);
        each_value("what_is_split_joins_again", 256, &chips, |chips| {
            let parts: Vec<&[u8]> = chips.iter().map(Vec::as_slice).collect();
            let sizes: Vec<u32> = chips.iter().map(|chip| chip.len() as u32).collect();
            let image = join(&parts);
            prop_assert_eq!(split(&image, &sizes).unwrap(), parts);
            Ok(())
        });
    }
}
