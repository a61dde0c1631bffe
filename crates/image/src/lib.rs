//! Firmware images: building them, and what stands in them at fixed places.
//!
//! | module | for |
//! |---|---|
//! | [`build`] | laying an image out of stretches, without overlap and within its regions |
//! | [`chain`] | where a part sits inside a vendor's file, as a person writes it down |
//! | [`check`](mod@check) | whether an image fits a chip and a machine, against the image that the machine came with |
//! | [`decode`] | decompression of what images hold packed |
//! | [`descriptor`] | the flash descriptor: writing one, and reading the region map out of a chip's content |
//! | [`nvm`] | the network NVM: two banks, MAC address, checksum; reading it, and changing the address |
//! | [`mac`] | MAC addresses with the bits of IEEE 802 |
//! | [`diff`](mod@diff) | what differs between two images: by structure, then by sector |
//! | [`explain`](mod@explain) | what is in an image, to the bottom, and what the sums in it prove |
//! | [`recipe`] | recipes: how an image is composed, as a person writes it down |
//! | [`compose`](mod@compose) | composing an image by a recipe |
//! | [`pin`] | hashes by which a recipe names contents |
//! | [`select`] | selectors: naming one structure of an image, and taking its bytes out |
//! | [`span`] | an image that several chips hold together |
//! | [`filler`] | made-up content that behaves like code, compressed volumes, tables and settings |
//! | [`scenario`] | the images of the worked example, whole, from a seed |
//!
//! Nothing here does I/O or knows the time: an image is a function of its seed and its parts. Addresses are bytes from the
//! image's first byte. Storing an image and writing it to a chip are left to others.
//!
//! The decision a reader would question: made-up content instead of real firmware. Real firmware may not be passed on, and
//! no test may hang on a download; so the project draws content whose sectors, blank tails and repetitions are like those of
//! real images, and pins its checksums.

pub mod build;
pub mod chain;
pub mod check;
pub mod compose;
pub mod decode;
pub mod descriptor;
pub mod diff;
pub mod explain;
pub mod filler;
pub mod mac;
pub mod nvm;
pub mod pin;
pub mod recipe;
pub mod scenario;
pub mod select;
pub mod span;
#[cfg(test)]
mod testing;
