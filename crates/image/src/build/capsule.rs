//! Update capsules (UEFI Specification, "Update Capsule" and "Firmware Management Protocol Data Capsule Structure").

use super::guid::{self, Guid};
use super::section::certificate;

/// Flag: the capsule lasts over a reset.
pub const PERSISTS: u32 = 0x1_0000;
/// Flag: the capsule resets the machine.
pub const RESETS: u32 = 0x4_0000;

const HEADER: usize = 28;

/// Returns a capsule whose header has `header_size` bytes; what is over the 28 that the standard describes is 0.
///
/// # Panics
///
/// When `header_size` is below 28.
pub fn capsule(kind: Guid, header_size: usize, flags: u32, body: &[u8]) -> Vec<u8> {
    assert!(header_size >= HEADER, "a capsule's header has at least 28 bytes");
    let mut out = kind.to_vec();
    out.extend((header_size as u32).to_le_bytes());
    out.extend(flags.to_le_bytes());
    out.extend(((header_size + body.len()) as u32).to_le_bytes());
    out.resize(header_size, 0);
    out.extend(body);
    out
}

/// One payload of a firmware management capsule.
#[derive(Debug, Clone)]
pub struct Payload {
    /// Version of its header: 1, 2 (with a hardware instance) or 3 (with what else the capsule brings).
    pub version: u32,
    /// What kind of device it is for.
    pub kind: Guid,
    /// Which of the images of such a device, from 1.
    pub index: u8,
    /// The hardware instance; header versions 2 and 3.
    pub instance: u64,
    /// The image, with its authentication block if it has one.
    pub image: Vec<u8>,
    /// What only the maker's code understands, behind the image.
    pub vendor_code: Vec<u8>,
}

impl Payload {
    /// Returns a payload with a header of `version`, for the first image of instance 0, without vendor code.
    pub fn new(version: u32, kind: Guid, image: Vec<u8>) -> Self {
        Self { version, kind, index: 1, instance: 0, image, vendor_code: Vec::new() }
    }

    fn bytes(&self) -> Vec<u8> {
        let mut out = self.version.to_le_bytes().to_vec();
        out.extend(self.kind);
        out.extend([self.index, 0, 0, 0]);
        out.extend((self.image.len() as u32).to_le_bytes());
        out.extend((self.vendor_code.len() as u32).to_le_bytes());
        if self.version >= 2 {
            out.extend(self.instance.to_le_bytes());
        }
        if self.version >= 3 {
            out.extend(1_u64.to_le_bytes()); // the image has an authentication block
        }
        out.extend(&self.image);
        out.extend(&self.vendor_code);
        out
    }
}

/// Returns a firmware management capsule with embedded drivers and payloads, and a capsule header of `header_size`
/// bytes.
///
/// # Panics
///
/// When `header_size` is below 28.
pub fn firmware_management(header_size: usize, drivers: &[Vec<u8>], payloads: &[Payload]) -> Vec<u8> {
    let items: Vec<Vec<u8>> = drivers.iter().cloned().chain(payloads.iter().map(Payload::bytes)).collect();
    let mut body = 1_u32.to_le_bytes().to_vec();
    body.extend((drivers.len() as u16).to_le_bytes());
    body.extend((payloads.len() as u16).to_le_bytes());
    let mut at = body.len() + 8 * items.len();
    for item in &items {
        body.extend((at as u64).to_le_bytes());
        at += item.len();
    }
    body.extend(items.concat());
    capsule(guid::FMP_CAPSULE, header_size, PERSISTS | RESETS, &body)
}

/// Returns `image` behind an authentication block: a monotonic count and a certificate with `signature`.
pub fn authenticated(count: u64, signature: &[u8], image: &[u8]) -> Vec<u8> {
    [&count.to_le_bytes()[..], &certificate(signature), image].concat()
}

/// Returns `image` behind the header "MSS1" with its version and the lowest version that may follow (EDK II; no
/// standard).
pub fn versioned(version: u32, lowest: u32, image: &[u8]) -> Vec<u8> {
    let header = [16, version, lowest].map(u32::to_le_bytes).concat();
    [b"MSS1", &header[..], image].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    const DEVICE: Guid = guid::guid("01234567-89ab-cdef-0123-456789abcdef");

    fn number(bytes: &[u8], at: usize) -> usize {
        u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize
    }

    #[test]
    fn the_header_counts_itself_and_may_be_longer() {
        for header in [28, 32, 4096] {
            let bytes = capsule(DEVICE, header, PERSISTS, b"body");
            assert_eq!((number(&bytes, 16), number(&bytes, 20), number(&bytes, 24)), (header, 0x1_0000, header + 4));
            assert_eq!(&bytes[header..], b"body");
        }
    }

    #[test]
    fn payload_headers_have_32_40_and_48_bytes() {
        for (version, header) in [(1, 32), (2, 40), (3, 48)] {
            let payload = Payload { vendor_code: vec![5; 3], ..Payload::new(version, DEVICE, vec![4; 9]) };
            let bytes = firmware_management(28, &[], &[payload]);
            assert_eq!((number(&bytes, 28), number(&bytes, 32)), (1, 1 << 16));
            let item = 28 + number(&bytes, 36);
            assert_eq!(item, 28 + 16);
            assert_eq!(bytes[item + 4..item + 20], DEVICE);
            assert_eq!((number(&bytes, item + 24), number(&bytes, item + 28)), (9, 3));
            assert_eq!(bytes[item + header..], [[4; 9].as_slice(), &[5; 3]].concat());
            assert_eq!(number(&bytes, 24), bytes.len());
        }
    }

    #[test]
    fn offsets_count_from_behind_the_capsule_header() {
        let payload = |byte| Payload::new(3, DEVICE, vec![byte; 8]);
        let bytes = firmware_management(64, &[vec![0xD1; 5]], &[payload(1), payload(2)]);
        let item = |at: usize| 64 + number(&bytes, 64 + 8 + 8 * at);
        assert_eq!((item(0), item(1), item(2)), (64 + 32, 64 + 37, 64 + 37 + 56));
        assert_eq!(bytes[item(0)..item(0) + 5], [0xD1; 5]);
        assert_eq!(bytes[item(2) + 48..], [2; 8]);
    }

    #[test]
    fn the_payload_stands_8_bytes_and_the_certificate_further() {
        let image = authenticated(7, &[0x30; 100], &versioned(3, 2, b"image"));
        assert_eq!(image[..8], 7_u64.to_le_bytes());
        let length = number(&image, 8);
        assert_eq!((length, &image[12..16]), (124, &[0, 2, 0xF1, 0x0E][..]));
        assert_eq!(&image[8 + length..8 + length + 4], b"MSS1");
        assert_eq!(&image[8 + length + 16..], b"image");
    }
}
