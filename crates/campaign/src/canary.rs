//! Builds that are broken on purpose, to show that what the campaign looks for it also finds.
//!
//! Each stands for a mistake that the product could have. They live in the campaign's own driving, never in the product.

/// What is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Canary {
    /// The link swallows a program and answers reads as if it had been done.
    LostProgram,
    /// Nothing is captured before the first erase.
    NoCapture,
    /// The journal says `applied` before anything is applied.
    EarlyClaim,
    /// A stored pack vanishes when a command has ended well.
    LostPack,
    /// Protection is not brought back.
    ProtectionForgotten,
    /// Id and status are not looked at on the way.
    Unguarded,
    /// A refused command has written all the same.
    WritesAndRefuses,
}

impl Canary {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::LostProgram,
        Self::NoCapture,
        Self::EarlyClaim,
        Self::LostPack,
        Self::ProtectionForgotten,
        Self::Unguarded,
        Self::WritesAndRefuses,
    ];
}
