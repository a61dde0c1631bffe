//! Executables around made-up code (Microsoft PE/COFF specification; the terse form: PI Specification volume 3, "TE Image").
//!
//! Headers say what a loader wants to know: an x86-64 boot driver with one section, loaded as it lies in the file. Nothing
//! here starts anywhere.

use super::{PE32, TE, section};

const MACHINE_X86_64: u16 = 0x8664;
const BOOT_DRIVER: u16 = 11;
const PE_AT: usize = 0x40;
const OPTIONAL_HEADER: usize = 240;
/// DOS header, signature, COFF header, optional header, one section header; rounded up to the alignment.
const HEADERS: usize = (PE_AT + 4 + 20 + OPTIONAL_HEADER + 40).next_multiple_of(ALIGNMENT);
const ALIGNMENT: usize = 32;

/// Returns a PE32 section with `code` as its only section of code.
pub fn pe32(code: &[u8]) -> Vec<u8> {
    let mut image = headers(code.len());
    image.resize(HEADERS, 0);
    image.extend(code);
    section(PE32, &image)
}

/// Returns a TE section with `code`: the same executable with most of its headers stripped.
pub fn te(code: &[u8]) -> Vec<u8> {
    // Stripped: all before the section header. Addresses stay as they were.
    let stripped = PE_AT + 4 + 20 + OPTIONAL_HEADER;
    let mut image = b"VZ".to_vec();
    image.extend(MACHINE_X86_64.to_le_bytes());
    image.extend([1, BOOT_DRIVER as u8]);
    image.extend((stripped as u16).to_le_bytes());
    image.extend((HEADERS as u32).to_le_bytes());
    image.extend((HEADERS as u32).to_le_bytes());
    image.extend([0; 8 + 16]);
    image.extend(section_header(code.len()));
    image.resize(image.len() + (HEADERS - stripped - 40), 0);
    image.extend(code);
    section(TE, &image)
}

fn headers(code: usize) -> Vec<u8> {
    let mut out = b"MZ".to_vec();
    out.resize(0x3C, 0);
    out.extend((PE_AT as u32).to_le_bytes());
    out.extend(b"PE\0\0");
    out.extend(MACHINE_X86_64.to_le_bytes());
    out.extend(1_u16.to_le_bytes()); // sections
    out.extend([0; 12]); // no time stamp, no symbols
    out.extend((OPTIONAL_HEADER as u16).to_le_bytes());
    out.extend(0x2022_u16.to_le_bytes()); // executable, over 2 GiB, a library
    let optional = out.len();
    out.extend(0x020B_u16.to_le_bytes()); // PE32+
    out.extend([0, 0]);
    out.extend((code as u32).to_le_bytes());
    out.extend([0; 8]);
    out.extend((HEADERS as u32).to_le_bytes()); // entry point
    out.extend((HEADERS as u32).to_le_bytes()); // base of code
    out.extend([0; 8]); // image base
    out.extend((ALIGNMENT as u32).to_le_bytes());
    out.extend((ALIGNMENT as u32).to_le_bytes());
    out.extend([0; 16]); // versions
    out.extend(((HEADERS + code) as u32).to_le_bytes());
    out.extend((HEADERS as u32).to_le_bytes());
    out.extend([0; 4]); // no checksum
    out.extend(BOOT_DRIVER.to_le_bytes());
    out.resize(optional + 108, 0);
    out.extend(16_u32.to_le_bytes()); // directories, all empty
    out.resize(optional + OPTIONAL_HEADER, 0);
    out.extend(section_header(code));
    out
}

fn section_header(code: usize) -> Vec<u8> {
    let sizes = [code, HEADERS, code, HEADERS].map(|field| (field as u32).to_le_bytes());
    // No relocations, no line numbers; code that can be run and read.
    [&b".text\0\0\0"[..], &sizes.concat(), &[0; 12], &0x6000_0020_u32.to_le_bytes()].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(bytes: &[u8], at: usize) -> usize {
        u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize
    }

    #[test]
    fn the_code_stands_where_the_headers_say() {
        let code = [0xC3; 77];
        let image = &pe32(&code)[4..];
        let pe = number(image, 0x3C);
        assert_eq!(&image[pe..pe + 6], b"PE\0\0\x64\x86");
        let optional = pe + 24;
        assert_eq!((image[optional..optional + 2].to_vec(), number(image, optional + 108)), (vec![0x0B, 0x02], 16));
        let header = optional + usize::from(image[pe + 20]);
        assert_eq!(&image[header..header + 5], b".text");
        let (size, at) = (number(image, header + 16), number(image, header + 20));
        assert_eq!(image[at..at + size], code);
        assert_eq!(number(image, optional + 56), image.len(), "size of image");
        assert_eq!(number(image, optional + 16), at, "entry point");
    }

    #[test]
    fn a_terse_image_is_the_same_without_its_first_headers() {
        let code = [0xC3; 77];
        let (full, terse) = (pe32(&code)[4..].to_vec(), te(&code)[4..].to_vec());
        let stripped = usize::from(u16::from_le_bytes([terse[6], terse[7]]));
        assert_eq!(&terse[..2], b"VZ");
        assert_eq!(terse[40..], full[stripped..]);
    }
}
