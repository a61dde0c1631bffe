//! Building images: laying one out of stretches, and, in the modules below, the structures that stand in it.
//!
//! | module | for |
//! |---|---|
//! | [`encode`] | packing: the counterparts of [`crate::decode`] |
//! | [`guid`] | GUIDs, and those that the structures need |
//! | [`section`] | sections of firmware files |
//! | [`volume`] | firmware volumes and their files |
//! | [`variables`] | variable stores and the volume around them |
//! | [`update`] | microcode updates, and the table that the processor finds them by |
//! | [`capsule`] | update capsules |
//! | [`uf2`] | UF2 files |
//! | [`partitions`] | the partition table of a management region |
//! | [`corpus`](fn@corpus) | small images that together hold every structure |
//!
//! An image starts blank (FFh). Regions are declared first; every stretch of bytes or fill then claims its range once. Two
//! claims on one byte, a claim outside the image or one that crosses a region's limit are errors, told at
//! [`ImageBuilder::finish`]. The decision a reader would question: nothing may be overwritten, not even a fill. A layout in
//! which a later part silently wins hides the mistake that matters most here, a part at a wrong offset.

pub mod capsule;
mod corpus;
pub mod encode;
pub mod guid;
pub mod partitions;
pub mod section;
pub mod uf2;
pub mod update;
pub mod variables;
pub mod volume;

pub use corpus::corpus;

use std::ops::Range;

/// Why an image cannot be built. Ranges are bytes from the image's start.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BuildError {
    /// A region or a stretch is empty or ends past the image.
    #[error("{what} at {:#x} to {:#x} is not a range inside an image of {size:#x} bytes", .range.start, .range.end)]
    OutOfRange {
        /// The region's name, or "bytes" or "fill".
        what: String,
        /// Where it should have gone.
        range: Range<u64>,
        /// The image's size.
        size: u32,
    },
    /// Two regions, or two stretches, claim the same bytes.
    #[error("{what} at {:#x} to {:#x} overlaps {other} at {:#x} to {:#x}", .range.start, .range.end, .taken.start, .taken.end)]
    Overlap {
        /// The later claim.
        what: String,
        /// Its range.
        range: Range<u32>,
        /// The earlier claim.
        other: String,
        /// Its range.
        taken: Range<u32>,
    },
    /// A stretch lies neither within one region nor outside all of them.
    #[error("{what} at {:#x} to {:#x} crosses a limit of region {region} at {:#x} to {:#x}", .range.start, .range.end, .limits.start, .limits.end)]
    CrossesRegion {
        /// The stretch.
        what: String,
        /// Its range.
        range: Range<u32>,
        /// The region.
        region: String,
        /// Its range.
        limits: Range<u32>,
    },
}

/// An image in the making.
///
/// # Example
///
/// ```
/// use image::build::ImageBuilder;
///
/// let image = ImageBuilder::new(0x3000)
///     .region("settings", 0x1000..0x2000)
///     .bytes(0x1000, b"made up")
///     .fill(0x2000..0x3000, 0x00)
///     .finish()?;
/// assert_eq!(&image[0x0FFF..0x1003], b"\xFFmad");
/// # Ok::<(), image::build::BuildError>(())
/// ```
#[derive(Debug)]
pub struct ImageBuilder {
    image: Vec<u8>,
    size: u32,
    regions: Vec<Claim>,
    stretches: Vec<Claim>,
    failed: Option<BuildError>,
}

#[derive(Debug)]
struct Claim {
    what: String,
    range: Range<u32>,
}

impl ImageBuilder {
    /// Returns a blank image (FFh) of `size` bytes, without regions.
    pub fn new(size: u32) -> Self {
        Self { image: vec![0xFF; size as usize], size, regions: Vec::new(), stretches: Vec::new(), failed: None }
    }

    /// Declares a region. Regions stand before the stretches in them; each holds its stretches whole.
    #[must_use]
    pub fn region(mut self, name: &str, range: Range<u32>) -> Self {
        let result = self.check_range(name, u64::from(range.start)..u64::from(range.end));
        match result.and_then(|range| check_free(&self.regions, name, &range).map(|()| range)) {
            Ok(range) => self.regions.push(Claim { what: name.to_owned(), range }),
            Err(error) => self.fail(error),
        }
        self
    }

    /// Fills `range` with one byte value.
    #[must_use]
    pub fn fill(mut self, range: Range<u32>, byte: u8) -> Self {
        if let Some(range) = self.claim("fill", u64::from(range.start)..u64::from(range.end)) {
            self.image[range.start as usize..range.end as usize].fill(byte);
        }
        self
    }

    /// Puts `bytes` at `at`.
    #[must_use]
    pub fn bytes(mut self, at: u32, bytes: &[u8]) -> Self {
        let end = u64::from(at).saturating_add(bytes.len() as u64);
        if let Some(range) = self.claim("bytes", u64::from(at)..end) {
            self.image[range.start as usize..range.end as usize].copy_from_slice(bytes);
        }
        self
    }

    /// Returns the image.
    ///
    /// # Errors
    ///
    /// The first claim that was wrong, in the order of the calls.
    pub fn finish(self) -> Result<Vec<u8>, BuildError> {
        self.failed.map_or(Ok(self.image), Err)
    }

    fn claim(&mut self, what: &str, range: Range<u64>) -> Option<Range<u32>> {
        let result = self.check_range(what, range).and_then(|range| {
            check_free(&self.stretches, what, &range)?;
            self.check_regions(what, &range)?;
            Ok(range)
        });
        match result {
            Ok(range) => {
                self.stretches.push(Claim { what: what.to_owned(), range: range.clone() });
                Some(range)
            }
            Err(error) => {
                self.fail(error);
                None
            }
        }
    }

    fn check_range(&self, what: &str, range: Range<u64>) -> Result<Range<u32>, BuildError> {
        if range.start < range.end && range.end <= u64::from(self.size) {
            Ok(range.start as u32..range.end as u32)
        } else {
            Err(BuildError::OutOfRange { what: what.to_owned(), range, size: self.size })
        }
    }

    fn check_regions(&self, what: &str, range: &Range<u32>) -> Result<(), BuildError> {
        let touched = self.regions.iter().find(|region| overlap(&region.range, range));
        match touched {
            Some(region) if range.start < region.range.start || range.end > region.range.end => {
                Err(BuildError::CrossesRegion {
                    what: what.to_owned(),
                    range: range.clone(),
                    region: region.what.clone(),
                    limits: region.range.clone(),
                })
            }
            _ => Ok(()),
        }
    }

    fn fail(&mut self, error: BuildError) {
        self.failed.get_or_insert(error);
    }
}

fn check_free(claims: &[Claim], what: &str, range: &Range<u32>) -> Result<(), BuildError> {
    match claims.iter().find(|claim| overlap(&claim.range, range)) {
        Some(claim) => Err(BuildError::Overlap {
            what: what.to_owned(),
            range: range.clone(),
            other: claim.what.clone(),
            taken: claim.range.clone(),
        }),
        None => Ok(()),
    }
}

fn overlap(a: &Range<u32>, b: &Range<u32>) -> bool {
    a.start < b.end && b.start < a.end
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn puts_each_stretch_in_its_place_and_leaves_the_rest_blank() {
        let image = ImageBuilder::new(16).bytes(2, &[1, 2, 3]).fill(8..10, 0).bytes(15, &[9]).finish().unwrap();
        assert_eq!(image, [255, 255, 1, 2, 3, 255, 255, 255, 0, 0, 255, 255, 255, 255, 255, 9]);
    }

    #[test]
    fn stretches_that_touch_do_not_overlap_and_one_shared_byte_does() {
        assert!(ImageBuilder::new(16).fill(0..8, 0).bytes(8, &[1; 8]).finish().is_ok());
        let error = ImageBuilder::new(16).fill(0..8, 0).bytes(7, &[1; 2]).finish().unwrap_err();
        let wanted = BuildError::Overlap { what: "bytes".into(), range: 7..9, other: "fill".into(), taken: 0..8 };
        assert_eq!(error, wanted);
        assert_eq!(error.to_string(), "bytes at 0x7 to 0x9 overlaps fill at 0x0 to 0x8");
    }

    #[test]
    fn nothing_goes_past_the_end_and_nothing_is_empty() {
        let out = |builder: ImageBuilder| matches!(builder.finish(), Err(BuildError::OutOfRange { size: 16, .. }));
        assert!(out(ImageBuilder::new(16).bytes(15, &[1, 2])));
        assert!(out(ImageBuilder::new(16).bytes(u32::MAX, &[1, 2])));
        assert!(out(ImageBuilder::new(16).bytes(3, &[])));
        assert!(out(ImageBuilder::new(16).fill(8..17, 0)));
        assert!(out(ImageBuilder::new(16).fill(8..8, 0)));
        assert!(out(ImageBuilder::new(16).region("late", 16..17)));
    }

    #[test]
    fn a_stretch_stays_within_its_region() {
        let builder = || ImageBuilder::new(32).region("first", 0..8).region("second", 16..24);
        assert!(builder().fill(0..8, 0).fill(8..16, 1).fill(16..24, 2).finish().is_ok());
        for range in [7..9, 15..17, 12..28, 0..32] {
            let error = builder().fill(range.clone(), 0).finish().unwrap_err();
            assert!(matches!(error, BuildError::CrossesRegion { .. }), "{range:?}: {error}");
        }
    }

    #[test]
    fn regions_do_not_overlap() {
        let error = ImageBuilder::new(32).region("first", 0..8).region("second", 7..9).finish().unwrap_err();
        assert_eq!(error.to_string(), "second at 0x7 to 0x9 overlaps first at 0x0 to 0x8");
    }

    #[test]
    fn the_first_error_is_the_one_told() {
        let error = ImageBuilder::new(8).fill(0..9, 0).region("late", 9..10).finish().unwrap_err();
        assert_eq!(error, BuildError::OutOfRange { what: "fill".into(), range: 0..9, size: 8 });
    }
}
