//! Who may read and write which region: the access fields in the descriptor's master section.
//!
//! [`access`] reads one master's fields, [`set_access`] changes them and nothing else. Bit n of a field stands for region register
//! n. There are two layouts (all of it from memory of the chipset's programming guides):
//!
//! | | read | write | the rest of the DWORD |
//! |---|---|---|---|
//! | eight regions | bits 23:16 | bits 31:24 | 15:0 requester id |
//! | twelve regions | bits 19:8 | bits 31:20 | 7:0 regions 12 to 15, on chipsets that have them |
//!
//! Masters stand in DWORDs from the section's start: processor, management, network, a spare one, embedded controller; the fifth in
//! the wider layout alone. What is beside the fields is never changed.
//!
//! The decision a reader would question: no descriptor states its layout. It shows in the room for region registers: older
//! chipsets leave eight before the master section, newer ones sixteen (common practice, no source). Where neither shows, whoever
//! asks has to say it; what is said against what shows is refused, since a wrong layout gives rights to the wrong region.

use super::{DESCRIPTOR_SIZE, DescriptorError, SIGNATURE_AT, regions};

/// Who accesses the chip through the chipset.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Master {
    /// The processor, and so the system firmware and whatever runs after it.
    Processor,
    /// The management controller.
    Management,
    /// The network controller.
    Network,
    /// The embedded controller; in the layout of twelve regions alone.
    EmbeddedController,
}

/// How the access fields are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Layout {
    /// Eight bits for each field.
    EightRegions,
    /// Twelve bits for each field.
    TwelveRegions,
}

/// What one master may do: bit n stands for region register n.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Access {
    /// Regions that it may read.
    pub read: u16,
    /// Regions that it may write.
    pub write: u16,
}

/// One master's register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Register {
    /// Where it stands: byte from the descriptor's first; four bytes.
    pub at: usize,
    /// How its fields are laid out.
    pub layout: Layout,
    /// What they say.
    pub access: Access,
}

/// Why access fields cannot be read or changed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AccessError {
    /// The descriptor is none to rely on.
    #[error("the access fields stand in a flash descriptor, and there is none to rely on")]
    Descriptor(#[source] DescriptorError),
    /// FLMAP1 puts the masters where something else stands, or past the descriptor.
    #[error("FLMAP1 puts the masters at {at:#x}, on top of the map words, of another section, or past the end")]
    Section {
        /// Address of the master section.
        at: usize,
    },
    /// The layout does not show.
    #[error("there is room for {registers} region registers, by which the layout of the access fields cannot be told")]
    LayoutUnclear {
        /// How many registers fit before the next section.
        registers: usize,
    },
    /// Another layout shows than was said.
    #[error("the access fields were said to be for {}, and the descriptor's are for {}", .said.words(), .found.words())]
    LayoutDiffers {
        /// What was said.
        said: Layout,
        /// What shows.
        found: Layout,
    },
    /// The descriptor has no such master.
    #[error("the descriptor has no fields for the {}", .master.words())]
    NoMaster {
        /// Which one.
        master: Master,
    },
    /// A region has no bit in this layout.
    #[error("the access fields are for {}, and there is no bit for region register {register}", .layout.words())]
    NoBit {
        /// The layout.
        layout: Layout,
        /// Number of the region's register.
        register: u32,
    },
}

impl Master {
    /// Every master, in the order of their registers.
    pub const ALL: [Self; 4] = [Self::Processor, Self::Management, Self::Network, Self::EmbeddedController];

    /// Returns its name in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Processor => "processor",
            Self::Management => "management controller",
            Self::Network => "network controller",
            Self::EmbeddedController => "embedded controller",
        }
    }

    fn number(self) -> usize {
        match self {
            Self::Processor => 0,
            Self::Management => 1,
            Self::Network => 2,
            Self::EmbeddedController => 4,
        }
    }
}

impl Layout {
    /// Returns how many regions a field is for, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::EightRegions => "eight regions",
            Self::TwelveRegions => "twelve regions",
        }
    }

    /// Returns all bits of a field.
    pub fn all(self) -> u16 {
        match self {
            Self::EightRegions => 0xFF,
            Self::TwelveRegions => 0xFFF,
        }
    }

    /// Lowest bits of the fields in the register: read, write.
    fn shifts(self) -> (u32, u32) {
        match self {
            Self::EightRegions => (16, 24),
            Self::TwelveRegions => (8, 20),
        }
    }

    fn of(self, value: u32) -> Access {
        let (read, write) = self.shifts();
        let field = |shift: u32| (value >> shift) as u16 & self.all();
        Access { read: field(read), write: field(write) }
    }

    fn put(self, value: u32, access: Access) -> u32 {
        let (read, write) = self.shifts();
        let mask = u32::from(self.all()) << read | u32::from(self.all()) << write;
        value & !mask | u32::from(access.read) << read | u32::from(access.write) << write
    }
}

/// Returns the register of `master` in the descriptor at the start of `content`, which is that of a whole chip. `said` is the
/// layout where somebody knows it.
///
/// # Errors
///
/// [`AccessError`] when there is no sound descriptor, its layout does not show and was not said, or it has no such master. A
/// register that was never written (FFFFFFFFh) is no master, but for the processor's.
///
/// # Example
///
/// ```
/// use image::descriptor::{Access, Master, RegionKind, access, descriptor, set_access};
///
/// let map = [(RegionKind::Descriptor, 0..0x1000), (RegionKind::SystemFirmware, 0x4_0000..0x8_0000)];
/// let mut chip = descriptor(&map, 0x8_0000)?;
/// chip.resize(0x8_0000, 0xFF);
/// assert_eq!(access(&chip, Master::Processor, None)?.access, Access { read: 0xFFF, write: 0xFFF });
/// set_access(&mut chip, Master::Processor, None, Access { read: 0b11, write: 0b10 })?;
/// assert_eq!(access(&chip, Master::Processor, None)?.access, Access { read: 0b11, write: 0b10 });
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn access(content: &[u8], master: Master, said: Option<Layout>) -> Result<Register, AccessError> {
    regions(content).map_err(AccessError::Descriptor)?;
    let word = |at: usize| content[at..].first_chunk().map_or(u32::MAX, |bytes| u32::from_le_bytes(*bytes));
    let section = |word: u32, bit: u32| ((word >> bit & 0xFF) << 4) as usize;
    let (map0, map1) = (word(SIGNATURE_AT + 4), word(SIGNATURE_AT + 8));
    let (components, map, masters) = (section(map0, 0), section(map0, 16), section(map1, 0));
    let at = masters + 4 * master.number();
    // A section ends where the next one begins.
    let runs_over = |other: usize| (masters..at + 4).contains(&other);
    // FLMAP0 to FLMAP2 end at 20h.
    if masters < 0x20 || runs_over(map) || runs_over(components) || at + 4 > DESCRIPTOR_SIZE as usize {
        return Err(AccessError::Section { at: masters });
    }
    let layout = match (shown(map, masters, components), said) {
        (Some(found), Some(said)) if found != said => return Err(AccessError::LayoutDiffers { said, found }),
        (Some(layout), _) | (None, Some(layout)) => layout,
        (None, None) => {
            let next = [masters, components].into_iter().filter(|other| *other > map).min();
            let registers = (next.unwrap_or(DESCRIPTOR_SIZE as usize) - map) / 4;
            return Err(AccessError::LayoutUnclear { registers });
        }
    };
    let there = match master {
        Master::Processor => true,
        Master::EmbeddedController if layout == Layout::EightRegions => false,
        Master::Management | Master::Network | Master::EmbeddedController => word(at) != u32::MAX,
    };
    if !there {
        return Err(AccessError::NoMaster { master });
    }
    Ok(Register { at, layout, access: layout.of(word(at)) })
}

/// Gives `master` exactly these rights, and returns its register as it was. Nothing but its two fields is changed.
///
/// # Errors
///
/// [`AccessError`] as for [`access`], and for a region that has no bit in this layout. `content` is then as it was.
pub fn set_access(
    content: &mut [u8],
    master: Master,
    said: Option<Layout>,
    wanted: Access,
) -> Result<Register, AccessError> {
    let before = access(content, master, said)?;
    let beyond = (wanted.read | wanted.write) & !before.layout.all();
    if beyond != 0 {
        return Err(AccessError::NoBit { layout: before.layout, register: beyond.trailing_zeros() });
    }
    let register = content[before.at..].first_chunk_mut::<4>().expect("the register was read");
    *register = before.layout.put(u32::from_le_bytes(*register), wanted).to_le_bytes();
    Ok(before)
}

/// The layout that shows in where the sections stand.
fn shown(map: usize, masters: usize, components: usize) -> Option<Layout> {
    let between = components > map && components < masters;
    match masters.checked_sub(map) {
        Some(0x20) if !between => Some(Layout::EightRegions),
        Some(0x40) if !between => Some(Layout::TwelveRegions),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::error::Error as _;

    use proptest::prelude::*;

    use super::*;
    use crate::descriptor::{RegionKind, descriptor};
    use crate::testing::each_value;

    /// A chip of 512 KiB with the masters at 80h, or at 60h as older chipsets have them.
    fn chip(masters: usize, registers: [u32; 5]) -> Vec<u8> {
        let map = [(RegionKind::Descriptor, 0..0x1000), (RegionKind::SystemFirmware, 0x4_0000..0x8_0000)];
        let mut chip = descriptor(&map, 0x8_0000).unwrap();
        chip.resize(0x8_0000, 0xFF);
        chip[0x60..0x94].fill(0xFF);
        chip[SIGNATURE_AT + 8] = (masters >> 4) as u8;
        for (number, register) in registers.into_iter().enumerate() {
            chip[masters + 4 * number..][..4].copy_from_slice(&register.to_le_bytes());
        }
        chip
    }

    const NARROW: [u32; 5] = [0x0A0B_0000, 0x0C0D_0000, 0x0808_0118, u32::MAX, u32::MAX];
    const WIDE: [u32; 5] = [0x00A0_0F00, 0x00D0_0D00, 0x0080_8800, u32::MAX, 0x1001_01C3];

    #[test]
    fn both_layouts_are_told_and_read() {
        let read = |chip: &[u8], master| access(chip, master, None).map(|it| (it.at, it.access.read, it.access.write));
        let narrow = chip(0x60, NARROW);
        assert_eq!(read(&narrow, Master::Processor), Ok((0x60, 0x0B, 0x0A)));
        assert_eq!(read(&narrow, Master::Management), Ok((0x64, 0x0D, 0x0C)));
        assert_eq!(read(&narrow, Master::Network), Ok((0x68, 0x08, 0x08)));
        let none = Err(AccessError::NoMaster { master: Master::EmbeddedController });
        assert_eq!(read(&narrow, Master::EmbeddedController), none);
        let wide = chip(0x80, WIDE);
        assert_eq!(read(&wide, Master::Processor), Ok((0x80, 0x00F, 0x00A)));
        assert_eq!(read(&wide, Master::Network), Ok((0x88, 0x088, 0x008)));
        assert_eq!(read(&wide, Master::EmbeddedController), Ok((0x90, 0x101, 0x100)));
        let mut alone = wide;
        alone[0x84..0x94].fill(0xFF);
        assert_eq!(read(&alone, Master::Management), Err(AccessError::NoMaster { master: Master::Management }));
        alone[0x80..0x84].fill(0xFF);
        assert_eq!(read(&alone, Master::Processor), Ok((0x80, 0xFFF, 0xFFF)), "somebody has to start the machine");
    }

    #[test]
    fn an_unclear_layout_has_to_be_said_and_a_wrong_word_is_refused() {
        let mut odd = chip(0x90, [0x00A0_0F00, u32::MAX, u32::MAX, u32::MAX, u32::MAX]);
        let said = |chip: &[u8], layout| access(chip, Master::Processor, layout).map(|it| it.access.read);
        assert_eq!(said(&odd, None), Err(AccessError::LayoutUnclear { registers: 20 }));
        assert_eq!(said(&odd, Some(Layout::TwelveRegions)), Ok(0x00F));
        assert_eq!(said(&odd, Some(Layout::EightRegions)), Ok(0x0A0));
        let (eight, twelve) = (Layout::EightRegions, Layout::TwelveRegions);
        let differs = Err(AccessError::LayoutDiffers { said: eight, found: twelve });
        assert_eq!(said(&chip(0x80, WIDE), Some(eight)), differs);
        for masters in [0x00, 0x01, 0x03, 0x04] {
            odd[SIGNATURE_AT + 8] = masters;
            assert!(matches!(said(&odd, Some(twelve)), Err(AccessError::Section { .. } | AccessError::Descriptor(_))));
        }
        odd[SIGNATURE_AT + 8] = 0xFF;
        assert_eq!(said(&odd, Some(twelve)), Ok(0xFFF));
        let past = access(&odd, Master::EmbeddedController, Some(twelve));
        assert_eq!(past, Err(AccessError::Section { at: 0xFF0 }));
        odd[SIGNATURE_AT] ^= 1;
        let error = access(&odd, Master::Processor, Some(twelve)).unwrap_err();
        assert!(error.source().is_some_and(|source| source.to_string().contains("signature")), "{error}");
        assert!(access(&[], Master::Processor, None).is_err());
    }

    /// Found by fuzzing: masters at 30h, the regions at 40h. The fifth master's DWORD was then the first region's register, and
    /// giving rights took the region map away.
    #[test]
    fn a_master_that_stands_in_another_section_is_refused() {
        let mut chip = chip(0x80, WIDE);
        chip[SIGNATURE_AT + 4] = 0x10;
        chip[SIGNATURE_AT + 8] = 0x03;
        let layout = Some(Layout::TwelveRegions);
        assert_eq!(access(&chip, Master::Processor, layout).map(|it| it.at), Ok(0x30));
        let before = chip.clone();
        let wanted = Access { read: 1, write: 0 };
        let error = set_access(&mut chip, Master::EmbeddedController, layout, wanted).unwrap_err();
        assert_eq!(error, AccessError::Section { at: 0x30 });
        assert!(chip == before);
    }

    #[test]
    fn a_region_without_a_bit_is_refused_and_nothing_changes() {
        let mut narrow = chip(0x60, NARROW);
        let before = narrow.clone();
        let wanted = Access { read: 0xFF, write: 0x1FF };
        let error = set_access(&mut narrow, Master::Processor, None, wanted).unwrap_err();
        assert_eq!(error, AccessError::NoBit { layout: Layout::EightRegions, register: 8 });
        assert!(narrow == before);
    }

    /// Set twice is set once, nothing beside the fields changes, and set back is as before.
    #[test]
    fn rights_set_twice_are_set_once_and_set_back_are_as_before() {
        let strategy = (any::<bool>(), prop::array::uniform5(any::<u32>()), 0..4_usize, any::<u16>(), any::<u16>());
        each_value("rights_set_twice_are_set_once_and_set_back_are_as_before", 300, &strategy, |it| {
            let (narrow, registers, master, read, write) = it;
            let master = Master::ALL[master];
            let mut chip = chip(if narrow { 0x60 } else { 0x80 }, registers);
            let Ok(register) = access(&chip, master, None) else { return Ok(()) };
            let before = chip.clone();
            let wanted = Access { read: read & register.layout.all(), write: write & register.layout.all() };
            prop_assert_eq!(set_access(&mut chip, master, None, wanted), Ok(register));
            let once = chip.clone();
            prop_assert_eq!(access(&once, master, None).map(|it| it.access), Ok(wanted));
            let (from, to) = (register.at, register.at + 4);
            prop_assert!(chip[..from] == before[..from] && chip[to..] == before[to..]);
            let beside = if narrow { 0x0000_FFFF } else { 0x0000_00FF };
            let value = |chip: &[u8]| u32::from_le_bytes(chip[from..to].try_into().unwrap());
            prop_assert_eq!(value(&chip) & beside, value(&before) & beside);
            set_access(&mut chip, master, None, wanted).unwrap();
            prop_assert!(chip == once);
            set_access(&mut chip, master, None, register.access).unwrap();
            prop_assert!(chip == before);
            Ok(())
        });
    }
}
