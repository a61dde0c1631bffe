//! GUIDs as images store them, and those that the made structures need.
//!
//! Sources: UEFI Platform Initialization Specification volume 3 and UEFI Specification; the packing methods, the
//! variable store and the working block: EDK II `MdeModulePkg/Include/Guid` (LzmaDecompress.h, VariableFormat.h,
//! SystemNvDataGuid.h), `MdeModulePkg.dec` and `MdePkg.dec`. The reader has a list of its own: one list for both would
//! hide a slip in it.

/// A GUID as its 16 bytes stand in an image: the first three groups have their lowest byte first.
pub type Guid = [u8; 16];

/// Returns the GUID written as `8c8ce578-8a3d-4f1c-9935-896185c32dd3`.
///
/// # Panics
///
/// When the text is not 36 characters of that form; in a constant, the build fails.
///
/// # Example
///
/// ```
/// let guid = image::build::guid::guid("8c8ce578-8a3d-4f1c-9935-896185c32dd3");
/// assert_eq!(guid[..6], [0x78, 0xE5, 0x8C, 0x8C, 0x3D, 0x8A]);
/// ```
pub const fn guid(text: &str) -> Guid {
    // Where each stored byte's two digits stand in the text.
    const DIGITS: [usize; 16] = [6, 4, 2, 0, 11, 9, 16, 14, 19, 21, 24, 26, 28, 30, 32, 34];
    let text = text.as_bytes();
    assert!(text.len() == 36, "a GUID has 36 characters");
    assert!(
        text[8] == b'-' && text[13] == b'-' && text[18] == b'-' && text[23] == b'-',
        "groups are set apart by dashes"
    );
    let mut bytes = [0; 16];
    let mut at = 0;
    while at < 16 {
        bytes[at] = digit(text[DIGITS[at]]) << 4 | digit(text[DIGITS[at] + 1]);
        at += 1;
    }
    bytes
}

const fn digit(character: u8) -> u8 {
    match character {
        b'0'..=b'9' => character - b'0',
        b'a'..=b'f' => character - b'a' + 10,
        _ => panic!("a GUID is written in the digits 0 to 9 and a to f"),
    }
}

/// Firmware file system 2.
pub const FFS2: Guid = guid("8c8ce578-8a3d-4f1c-9935-896185c32dd3");
/// Firmware file system 3, with files of 16 MiB and more.
pub const FFS3: Guid = guid("5473c07a-3dcb-4dca-bd6f-1e9689e7349a");
/// A volume that holds a variable store.
pub const NV_DATA: Guid = guid("fff12b8d-7696-4c8b-a985-2747075b4f50");
/// The file that ends where its volume ends.
pub const VOLUME_TOP: Guid = guid("1ba0062e-c779-4582-8566-336ae8f78f09");
/// The order in which drivers are started first.
pub const DXE_APRIORI: Guid = guid("fc510ee7-ffdc-11d4-bd41-0080c73c8881");
/// A section packed with LZMA.
pub const LZMA: Guid = guid("ee4e5898-3914-4259-9d6e-dc7bd79403cf");
/// A section filtered for x86 code, then packed with LZMA.
pub const LZMA_X86: Guid = guid("d42ae6bd-1352-4bfb-909a-ca72a6eae889");
/// A section packed by the UEFI algorithm with 5 position bits.
pub const TIANO: Guid = guid("a31280ad-481e-41b6-95e8-127f4c984779");
/// A section packed with Brotli.
pub const BROTLI: Guid = guid("3d532050-5cda-4fd0-879e-0f7f630d5afb");
/// A section with a CRC-32 before it.
pub const CRC32: Guid = guid("fc1bcdb0-7d31-49aa-936a-a4600d9dd083");
/// A section with a certificate before it.
pub const SIGNED: Guid = guid("0f9d89e8-9259-4f76-a5af-0c89e34023df");
/// A plain variable store.
pub const STORE: Guid = guid("ddcf3616-3275-4164-98b6-fe85707ffe7d");
/// A variable store with time stamps.
pub const AUTHENTICATED_STORE: Guid = guid("aaf32c78-947b-439a-a180-2e144ec37792");
/// The working block of fault-tolerant writing.
pub const FTW: Guid = guid("9e58292b-7c68-497d-a0ce-6500fd9f1b95");
/// The variables of the UEFI Specification.
pub const GLOBAL_VARIABLE: Guid = guid("8be4df61-93ca-11d2-aa0d-00e098032b8c");
/// A capsule of the firmware management protocol.
pub const FMP_CAPSULE: Guid = guid("6dcbd5ed-e82d-4c44-bda1-7194199ad92a");
/// A PKCS #7 signature in a certificate (UEFI Specification, WIN_CERTIFICATE_UEFI_GUID).
pub const PKCS7: Guid = guid("4aafd29d-68df-49ee-8aa9-347d375665a7");
