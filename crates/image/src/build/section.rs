//! Sections of firmware files (PI Specification volume 3, "Firmware File Section"), each as its bytes.
//!
//! A section is a header and a body; a stream is a row of sections, each on a multiple of four bytes ([`stream`]).
//! Sections that hold others take such a stream. From 16 MiB less one on a section gets the extended header, as the
//! standard says.

mod executable;

use super::encode;
use super::guid::{self, Guid};
use crate::decode::PositionBits;
pub use executable::{pe32, te};

/// A compression section.
pub const COMPRESSION: u8 = 0x01;
/// A GUID-defined section.
pub const GUIDED: u8 = 0x02;
/// A disposable section: a stream that a reader may leave out.
pub const DISPOSABLE: u8 = 0x03;
/// A PE32+ image.
pub const PE32: u8 = 0x10;
/// A terse executable.
pub const TE: u8 = 0x12;
/// A driver's dependencies.
pub const DXE_DEPEX: u8 = 0x13;
/// A build number and a version text.
pub const VERSION: u8 = 0x14;
/// The name for people.
pub const USER_INTERFACE: u8 = 0x15;
/// A volume.
pub const VOLUME_IMAGE: u8 = 0x17;
/// A GUID, then anything.
pub const FREEFORM: u8 = 0x18;
/// Anything.
pub const RAW: u8 = 0x19;
/// An early module's dependencies.
pub const PEI_DEPEX: u8 = 0x1B;
/// A management-mode module's dependencies.
pub const MM_DEPEX: u8 = 0x1C;

/// Attribute of a GUID-defined section: it cannot be read without its method.
pub const PROCESSING_REQUIRED: u16 = 1;
/// Attribute of a GUID-defined section: it says whether it is authentic.
pub const AUTH_STATUS_VALID: u16 = 2;

/// From this size on, header counted, a section has the extended header.
const EXTENDED: usize = 0xFF_FFFF;

/// Returns a row of sections, each on a multiple of four bytes, zeros between; nothing follows the last one.
pub fn stream(sections: &[Vec<u8>]) -> Vec<u8> {
    let mut out = Vec::new();
    for section in sections {
        out.resize(out.len().next_multiple_of(4), 0);
        out.extend(section);
    }
    out
}

/// Returns a section of the type `kind`.
///
/// # Panics
///
/// When the section reaches 4 GiB.
pub fn section(kind: u8, body: &[u8]) -> Vec<u8> {
    if body.len() + 4 < EXTENDED {
        return [&((body.len() + 4) as u32).to_le_bytes()[..3], &[kind], body].concat();
    }
    extended_section(kind, body)
}

/// Returns a section with the extended header, whatever its size.
///
/// # Panics
///
/// When the section reaches 4 GiB.
pub fn extended_section(kind: u8, body: &[u8]) -> Vec<u8> {
    let size = u32::try_from(body.len() + 8).expect("a section is smaller than 4 GiB");
    [&[0xFF, 0xFF, 0xFF, kind][..], &size.to_le_bytes(), body].concat()
}

/// Returns a user-interface name.
pub fn user_interface(name: &str) -> Vec<u8> {
    section(USER_INTERFACE, &text(name))
}

/// Returns a version section.
pub fn version(build: u16, version: &str) -> Vec<u8> {
    section(VERSION, &[&build.to_le_bytes()[..], &text(version)].concat())
}

/// Returns a freeform section.
pub fn freeform(subtype: Guid, bytes: &[u8]) -> Vec<u8> {
    section(FREEFORM, &[&subtype[..], bytes].concat())
}

/// Returns a driver's dependency section that pushes one protocol and ends (PI Specification volume 2, PUSH 02h, END
/// 08h).
pub fn depends_on(kind: u8, protocol: Guid) -> Vec<u8> {
    section(kind, &[&[0x02][..], &protocol, &[0x08]].concat())
}

/// Returns a compression section of type 0: the stream as it is.
pub fn uncompressed(stream: &[u8]) -> Vec<u8> {
    compression(stream.len(), 0, stream)
}

/// Returns a compression section of type 1: the stream packed by the UEFI algorithm.
pub fn standard(stream: &[u8]) -> Vec<u8> {
    compression(stream.len(), 1, &encode::packed(stream, PositionBits::Uefi4))
}

/// Returns a GUID-defined section. `extra` is what stands between the fixed header and the data.
pub fn guided(method: Guid, attributes: u16, extra: &[u8], data: &[u8]) -> Vec<u8> {
    const FIXED: usize = 24;
    // With the extended section header, everything moves by four.
    let header = if FIXED + extra.len() + data.len() < EXTENDED { FIXED } else { FIXED + 4 };
    let offset = (header + extra.len()) as u16;
    let fields = [&method[..], &offset.to_le_bytes(), &attributes.to_le_bytes()].concat();
    section(GUIDED, &[&fields, extra, data].concat())
}

/// Returns the stream packed with LZMA.
pub fn lzma(stream: &[u8]) -> Vec<u8> {
    guided(guid::LZMA, PROCESSING_REQUIRED, &[], &encode::lzma(stream))
}

/// Returns the stream filtered for x86 code and packed with LZMA.
pub fn lzma_x86(stream: &[u8]) -> Vec<u8> {
    guided(guid::LZMA_X86, PROCESSING_REQUIRED, &[], &encode::lzma_x86(stream))
}

/// Returns the stream packed by the Tiano variant.
pub fn tiano(stream: &[u8]) -> Vec<u8> {
    guided(guid::TIANO, PROCESSING_REQUIRED, &[], &encode::packed(stream, PositionBits::Tiano5))
}

/// Returns the stream in a Brotli section, stored.
pub fn brotli(stream: &[u8]) -> Vec<u8> {
    guided(guid::BROTLI, PROCESSING_REQUIRED, &[], &encode::brotli_stored(stream))
}

/// Returns the stream behind its CRC-32; a reader that does not know the method can still walk it.
pub fn crc32(stream: &[u8]) -> Vec<u8> {
    guided(guid::CRC32, AUTH_STATUS_VALID, &crc32fast::hash(stream).to_le_bytes(), stream)
}

/// Returns the stream behind a certificate of type PKCS #7 whose signature is `signature`.
pub fn signed(signature: &[u8], stream: &[u8]) -> Vec<u8> {
    guided(guid::SIGNED, AUTH_STATUS_VALID, &certificate(signature), stream)
}

/// Returns a WIN_CERTIFICATE_UEFI_GUID (UEFI Specification): length, revision 0200h, type 0EF1h, PKCS7, signature.
pub(super) fn certificate(signature: &[u8]) -> Vec<u8> {
    let length = (24 + signature.len()) as u32;
    [&length.to_le_bytes()[..], &0x0200_u16.to_le_bytes(), &0x0EF1_u16.to_le_bytes(), &guid::PKCS7, signature].concat()
}

/// Returns text in UCS-2 with the 0000h word that ends it.
pub(super) fn text(text: &str) -> Vec<u8> {
    text.encode_utf16().chain([0]).flat_map(u16::to_le_bytes).collect()
}

fn compression(size: usize, method: u8, data: &[u8]) -> Vec<u8> {
    section(COMPRESSION, &[&(size as u32).to_le_bytes()[..], &[method], data].concat())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_stand_on_multiples_of_four_and_the_last_is_not_padded() {
        let row = stream(&[section(RAW, &[1]), user_interface("Ab")]);
        assert_eq!(row, [5, 0, 0, 0x19, 1, 0, 0, 0, 10, 0, 0, 0x15, b'A', 0, b'b', 0, 0, 0]);
    }

    #[test]
    fn the_size_that_marks_an_extended_header_needs_one() {
        let largest = section(RAW, &vec![0; EXTENDED - 5]);
        assert_eq!(largest[..4], [0xFE, 0xFF, 0xFF, 0x19]);
        let next = section(RAW, &vec![0; EXTENDED - 4]);
        assert_eq!(next[..8], [0xFF, 0xFF, 0xFF, 0x19, 3, 0, 0, 1]);
        assert_eq!(next.len(), 0x100_0003);
    }

    #[test]
    fn a_crc_section_has_its_sum_at_18h_and_its_content_at_1ch() {
        let inner = section(RAW, b"123456789");
        let outer = crc32(&inner);
        assert_eq!(outer[..4], [(28 + inner.len()) as u8, 0, 0, 0x02]);
        assert_eq!(outer[4..20], guid::CRC32);
        assert_eq!(outer[20..24], [0x1C, 0, 2, 0]);
        assert_eq!(&outer[28..], inner);
        // The catalogue of checksums' check value of CRC-32/ISO-HDLC.
        assert_eq!(crc32(b"123456789")[24..28], 0xCBF4_3926_u32.to_le_bytes());
    }

    #[test]
    fn packed_sections_hold_what_their_decoder_gives_back() {
        use crate::decode;
        let inner = stream(&[user_interface("Inner"), section(RAW, &[0xE8; 700])]);
        let data = |outer: &[u8], at: usize| outer[at..].to_vec();
        assert_eq!(decode::lzma(&data(&lzma(&inner), 24), 9999).unwrap().bytes, inner);
        let mut filtered = decode::lzma(&data(&lzma_x86(&inner), 24), 9999).unwrap().bytes;
        decode::x86_filter(&mut filtered);
        assert_eq!(filtered, inner);
        assert_eq!(decode::packed(&data(&tiano(&inner), 24), PositionBits::Tiano5, 9999).unwrap().bytes, inner);
        assert_eq!(decode::brotli(&data(&brotli(&inner), 24), 9999).unwrap().bytes, inner);
        let outer = standard(&inner);
        assert_eq!(outer[4..9], [&(inner.len() as u32).to_le_bytes()[..], &[1]].concat());
        assert_eq!(decode::packed(&data(&outer, 9), PositionBits::Uefi4, 9999).unwrap().bytes, inner);
        assert_eq!(data(&uncompressed(&inner), 9), inner);
    }
}
