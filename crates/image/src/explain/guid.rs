//! GUIDs as UEFI writes them, and the names that its standards give to some.

use std::fmt;
use std::str::FromStr;

/// A GUID as its 16 bytes stand in an image: the first three groups little-endian (UEFI, appendix A).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Guid(pub [u8; 16]);

/// Why a text is no GUID.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a GUID is 32 hexadecimal digits in groups of 8, 4, 4, 4 and 12, with hyphens between")]
pub struct GuidError;

impl Guid {
    /// Returns the GUID whose registry form is given as its five groups' numbers.
    pub const fn new(a: u32, b: u16, c: u16, d: u16, e: u64) -> Self {
        let (a, b, c, d, e) = (a.to_le_bytes(), b.to_le_bytes(), c.to_le_bytes(), d.to_be_bytes(), e.to_be_bytes());
        Self([a[0], a[1], a[2], a[3], b[0], b[1], c[0], c[1], d[0], d[1], e[2], e[3], e[4], e[5], e[6], e[7]])
    }

    /// Returns the GUID at `at`, or `None` past the end.
    pub(crate) fn read(bytes: &[u8], at: usize) -> Option<Self> {
        bytes.get(at..)?.first_chunk().copied().map(Self)
    }

    /// Returns the name that the UEFI or PI standard has for it.
    pub fn standard_name(&self) -> Option<&'static str> {
        NAMES.iter().find(|(guid, _)| guid == self).map(|(_, name)| *name)
    }
}

impl fmt::Display for Guid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a0, a1, a2, a3, b0, b1, c0, c1, d0, d1, e0, e1, e2, e3, e4, e5] = self.0;
        write!(f, "{a3:02x}{a2:02x}{a1:02x}{a0:02x}-{b1:02x}{b0:02x}-{c1:02x}{c0:02x}-{d0:02x}{d1:02x}-")?;
        write!(f, "{e0:02x}{e1:02x}{e2:02x}{e3:02x}{e4:02x}{e5:02x}")
    }
}

impl fmt::Debug for Guid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Guid {
    type Err = GuidError;

    fn from_str(text: &str) -> Result<Self, GuidError> {
        let groups: Vec<&str> = text.split('-').collect();
        let [a, b, c, d, e] = groups[..] else { return Err(GuidError) };
        let lengths = [a, b, c, d, e].map(str::len) == [8, 4, 4, 4, 12];
        if !lengths || !text.bytes().all(|byte| byte == b'-' || byte.is_ascii_hexdigit()) {
            return Err(GuidError);
        }
        let group = |text: &str| u64::from_str_radix(text, 16).map_err(|_| GuidError);
        Ok(Self::new(group(a)? as u32, group(b)? as u16, group(c)? as u16, group(d)? as u16, group(e)?))
    }
}

/// File system of volumes with files up to 16 MiB (PI volume 3, EFI_FIRMWARE_FILE_SYSTEM2_GUID).
pub(crate) const FFS2: Guid = Guid::new(0x8c8c_e578, 0x8a3d, 0x4f1c, 0x9935, 0x8961_85c3_2dd3);
/// File system of volumes with larger files too (PI volume 3, EFI_FIRMWARE_FILE_SYSTEM3_GUID).
pub(crate) const FFS3: Guid = Guid::new(0x5473_c07a, 0x3dcb, 0x4dca, 0xbd6f, 0x1e96_89e7_349a);
/// Volume with a variable store (EDK II `SystemNvDataGuid.h`).
pub(crate) const NV_DATA: Guid = Guid::new(0xfff1_2b8d, 0x7696, 0x4c8b, 0xa985, 0x2747_075b_4f50);
/// Volume-top file (PI volume 3).
pub(crate) const VOLUME_TOP: Guid = Guid::new(0x1ba0_062e, 0xc779, 0x4582, 0x8566, 0x336a_e8f7_8f09);
/// Name of pad files (common practice; the standard asks for type F0h only).
pub(crate) const PAD: Guid = Guid([0xFF; 16]);

/// A priori files of the DXE and of the PEI phase (PI volumes 2 and 1; EDK II `MdePkg.dec`).
pub(crate) const APRIORI: [Guid; 2] = [
    Guid::new(0xfc51_0ee7, 0xffdc, 0x11d4, 0xbd41, 0x0080_c73c_8881),
    Guid::new(0x1b45_cc0a, 0x156a, 0x428a, 0xaf62, 0x4986_4da0_e6e6),
];

/// LZMA (EDK II `LzmaDecompress.h`).
pub(crate) const LZMA: Guid = Guid::new(0xee4e_5898, 0x3914, 0x4259, 0x9d6e, 0xdc7b_d794_03cf);
/// LZMA, then the x86 branch converter (EDK II `LzmaDecompress.h`).
pub(crate) const LZMA_X86: Guid = Guid::new(0xd42a_e6bd, 0x1352, 0x4bfb, 0x909a, 0xca72_a6ea_e889);
/// The standard's method with five position bits (EDK II `MdeModulePkg.dec`).
pub(crate) const TIANO: Guid = Guid::new(0xa312_80ad, 0x481e, 0x41b6, 0x95e8, 0x127f_4c98_4779);
/// Brotli (EDK II `MdeModulePkg.dec`).
pub(crate) const BROTLI: Guid = Guid::new(0x3d53_2050, 0x5cda, 0x4fd0, 0x879e, 0x0f7f_630d_5afb);
/// CRC-32 (PI volume 3, EFI_CRC32_GUIDED_SECTION_EXTRACTION).
pub(crate) const CRC32: Guid = Guid::new(0xfc1b_cdb0, 0x7d31, 0x49aa, 0x936a, 0xa460_0d9d_d083);
/// Signed contents (PI volume 3, EFI_FIRMWARE_CONTENTS_SIGNED_GUID).
pub(crate) const SIGNED: Guid = Guid::new(0x0f9d_89e8, 0x9259, 0x4f76, 0xa5af, 0x0c89_e340_23df);

/// Variable store without authentication (EDK II `VariableFormat.h`).
pub(crate) const STORE_PLAIN: Guid = Guid::new(0xddcf_3616, 0x3275, 0x4164, 0x98b6, 0xfe85_707f_fe7d);
/// Variable store with authentication (EDK II `VariableFormat.h`).
pub(crate) const STORE_AUTH: Guid = Guid::new(0xaaf3_2c78, 0x947b, 0x439a, 0xa180, 0x2e14_4ec3_7792);
/// Fault-tolerant-write working block (EDK II `SystemNvDataGuid.h`).
pub(crate) const FTW: Guid = Guid::new(0x9e58_292b, 0x7c68, 0x497d, 0xa0ce, 0x6500_fd9f_1b95);
/// EFI_GLOBAL_VARIABLE (UEFI).
pub(crate) const GLOBAL: Guid = Guid::new(0x8be4_df61, 0x93ca, 0x11d2, 0xaa0d, 0x00e0_9803_2b8c);
/// EFI_IMAGE_SECURITY_DATABASE_GUID (UEFI).
pub(crate) const SECURITY: Guid = Guid::new(0xd719_b2cb, 0x3d3a, 0x4596, 0xa3bc, 0xdad0_0e67_656f);

/// Firmware-management capsule (UEFI, EFI_FIRMWARE_MANAGEMENT_CAPSULE_ID_GUID).
pub(crate) const FMP: Guid = Guid::new(0x6dcb_d5ed, 0xe82d, 0x4c44, 0xbda1, 0x7194_199a_d92a);
/// Certificate in PKCS #7 (UEFI, EFI_CERT_TYPE_PKCS7_GUID).
pub(crate) const PKCS7: Guid = Guid::new(0x4aaf_d29d, 0x68df, 0x49ee, 0x8aa9, 0x347d_3756_65a7);

/// Names that the standards have; what EDK II alone has goes by what it is for.
const NAMES: [(Guid, &str); 20] = [
    (FFS2, "file system 2"),
    (FFS3, "file system 3"),
    (NV_DATA, "variable storage"),
    (VOLUME_TOP, "volume top file"),
    (PAD, "pad"),
    (LZMA, "LZMA"),
    (LZMA_X86, "LZMA with x86 filter"),
    (TIANO, "standard compression, 5 position bits"),
    (BROTLI, "Brotli"),
    (CRC32, "CRC-32"),
    (SIGNED, "signed contents"),
    (STORE_PLAIN, "variables"),
    (STORE_AUTH, "authenticated variables"),
    (FTW, "fault-tolerant write"),
    (GLOBAL, "EFI global variable"),
    (SECURITY, "EFI image security database"),
    (FMP, "firmware management capsule"),
    (PKCS7, "PKCS #7 certificate"),
    (APRIORI[0], "DXE apriori"),
    (APRIORI[1], "PEI apriori"),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// On disk the first three groups are little-endian; PI volume 3 gives this very GUID in both forms.
    #[test]
    fn the_text_and_the_bytes_are_one_guid() {
        let bytes = [0x78, 0xE5, 0x8C, 0x8C, 0x3D, 0x8A, 0x1C, 0x4F, 0x99, 0x35, 0x89, 0x61, 0x85, 0xC3, 0x2D, 0xD3];
        assert_eq!(FFS2, Guid(bytes));
        assert_eq!(FFS2.to_string(), "8c8ce578-8a3d-4f1c-9935-896185c32dd3");
        assert_eq!("8C8CE578-8a3d-4f1c-9935-896185c32dd3".parse(), Ok(FFS2));
        for text in ["", "8c8ce578", "8c8ce578-8a3d-4f1c-9935-896185c32dd", "8c8ce578-8a3d-4f1c-9935+896185c32dd3"] {
            assert_eq!(text.parse::<Guid>(), Err(GuidError), "{text}");
        }
    }
}
