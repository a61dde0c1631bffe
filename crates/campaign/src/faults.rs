//! The faults that a seed may draw, by name, and at what each is aimed.
//!
//! | aimed at | how |
//! |---|---|
//! | a moment in an erase, program or status write, or in any request | the command is rehearsed without fault, and the moment drawn from what it was seen to do |
//! | a request, an operation of the disk | the rehearsal counts them, the number is drawn |
//! | the time between two commands | done to the files by the campaign itself |

/// One kind of fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Power cut inside an erase.
    CutInErase,
    /// Power cut inside a program.
    CutInProgram,
    /// Power cut inside a status write.
    CutInStatusWrite,
    /// Cable pulled in any request.
    Unplug,
    /// The chip alone loses its supply for an instant.
    SupplyDip,
    /// One answer of the link is lost.
    LinkStall,
    /// The link does not answer for a while.
    LongStall,
    /// Bits read flip for a while.
    Noise,
    /// A contact of the clip is open for a while.
    OpenContact,
    /// Clock, chip select or a data line is bad for a while; what the link sends may arrive as something else.
    BadLine,
    /// Another chip answers for a while.
    OtherChipForAWhile,
    /// Another chip answers from a moment on.
    OtherChip,
    /// A bit does not follow any more.
    StuckBit,
    /// A sector keeps bits.
    WornSector,
    /// The chip's protection bits rise.
    ProtectRaised,
    /// An erase, program or status write does not end.
    BusyForever,
    /// The host is killed at a request.
    KilledAtRequest,
    /// The person stops the command.
    Stopped,
    /// The host is killed at an operation of the disk.
    KilledAtDisk,
    /// The host's power is cut at an operation of the disk; what was not synced may be lost.
    HostPowerCut,
    /// The disk is full from an operation on.
    DiskFull,
    /// The disk is full for one operation.
    DiskFullOnce,
    /// The disk fails from an operation on.
    DiskBroken,
    /// Another chip of the same id, with another content, was put there between two commands.
    ChipReplaced,
    /// A stored object is damaged.
    ObjectDamaged,
    /// A journal is cut, or a bit in it flipped.
    JournalDamaged,
    /// The wall clock jumps back.
    ClockBack,
}

/// All of them with their weights.
pub const KINDS: [(u64, Kind); 27] = [
    (8, Kind::CutInErase),
    (8, Kind::CutInProgram),
    (5, Kind::CutInStatusWrite),
    (6, Kind::Unplug),
    (4, Kind::SupplyDip),
    (4, Kind::LinkStall),
    (3, Kind::LongStall),
    (4, Kind::Noise),
    (6, Kind::OpenContact),
    (5, Kind::BadLine),
    (4, Kind::OtherChipForAWhile),
    (4, Kind::OtherChip),
    (4, Kind::StuckBit),
    (4, Kind::WornSector),
    (4, Kind::ProtectRaised),
    (3, Kind::BusyForever),
    (8, Kind::KilledAtRequest),
    (4, Kind::Stopped),
    (9, Kind::KilledAtDisk),
    (7, Kind::HostPowerCut),
    (4, Kind::DiskFull),
    (4, Kind::DiskFullOnce),
    (3, Kind::DiskBroken),
    (5, Kind::ChipReplaced),
    (5, Kind::ObjectDamaged),
    (5, Kind::JournalDamaged),
    (4, Kind::ClockBack),
];

impl Kind {
    /// Returns its name in reports and traces.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::CutInErase => "power cut in an erase",
            Self::CutInProgram => "power cut in a program",
            Self::CutInStatusWrite => "power cut in a status write",
            Self::Unplug => "cable pulled in a request",
            Self::SupplyDip => "chip's supply dips",
            Self::LinkStall => "one answer of the link lost",
            Self::LongStall => "link silent for a while",
            Self::Noise => "bits read flip for a while",
            Self::OpenContact => "a contact open for a while",
            Self::BadLine => "a bad line for a while",
            Self::OtherChipForAWhile => "another chip answers for a while",
            Self::OtherChip => "another chip answers from a moment on",
            Self::StuckBit => "stuck bit",
            Self::WornSector => "worn sector",
            Self::ProtectRaised => "write protection raised",
            Self::BusyForever => "chip busy for ever",
            Self::KilledAtRequest => "host killed at a request",
            Self::Stopped => "stopped by the person",
            Self::KilledAtDisk => "host killed at a disk operation",
            Self::HostPowerCut => "host's power cut at a disk operation",
            Self::DiskFull => "disk full from an operation on",
            Self::DiskFullOnce => "disk full for one operation",
            Self::DiskBroken => "disk fails from an operation on",
            Self::ChipReplaced => "chip replaced by another of its id",
            Self::ObjectDamaged => "stored object damaged",
            Self::JournalDamaged => "journal damaged",
            Self::ClockBack => "wall clock jumps back",
        }
    }

    /// Tells whether what the link sends may arrive as something else, so that a write may go where nobody sent it.
    #[must_use]
    pub fn bends_writes(self) -> bool {
        matches!(self, Self::OpenContact | Self::BadLine)
    }

    /// Tells how the disk fails, if it does, and whether it stays so.
    #[must_use]
    pub fn of_disk(self) -> Option<(vault::faults::Failure, bool)> {
        Some(match self {
            Self::KilledAtDisk => (vault::faults::Failure::Killed, false),
            Self::HostPowerCut => (vault::faults::Failure::PowerCut, false),
            Self::DiskFull => (vault::faults::Failure::Full, true),
            Self::DiskFullOnce => (vault::faults::Failure::Full, false),
            Self::DiskBroken => (vault::faults::Failure::Broken, true),
            _ => return None,
        })
    }

    /// Tells whether it is done to files between two commands, and not aimed at a moment of one.
    #[must_use]
    pub fn is_between(self) -> bool {
        matches!(self, Self::ChipReplaced | Self::ObjectDamaged | Self::JournalDamaged | Self::ClockBack)
    }
}
