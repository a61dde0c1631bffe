//! Boot media: what a disc image starts, where that stands and how long it really is; and the drives that it can go onto.
//!
//! | module | reads | after |
//! |---|---|---|
//! | [`iso`] | volume descriptors and directories of ISO 9660 | ECMA-119 |
//! | [`boot`] | the boot catalogue and its entries | Bootable CD-ROM Format Specification 1.0 (1995) |
//! | [`table`] | partition tables | common practice (MBR), UEFI 2.10 section 5.3 (GPT) |
//! | [`fat`] | FAT file systems | FAT specification 1.03 (2000); UEFI 2.10 section 13.3 |
//! | [`medium`] | all of it together | |
//! | [`mod@drives`] | the drives of this computer, and which may be written | Linux `sysfs`, `proc` |
//! | [`mod@open`] | a drive for firmhand alone | |
//! | [`mod@write`] | an image onto a drive | |
//!
//! What a caller must know. Everything comes out of a [`Source`], of which only what is needed is read, so an image of
//! gigabytes costs no memory. A source is hostile input (S10): every length is held against what remains, directories and
//! chains have budgets, and what is wrong is an [`Error`] or a note in the answer, never a panic.

pub mod boot;
pub mod drives;
pub mod fat;
pub mod iso;
pub mod medium;
pub mod open;
pub mod source;
pub mod table;
pub mod write;

pub use source::{Error, Source};
