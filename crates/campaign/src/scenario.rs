//! What a seed decides before anything runs: chip, content, images, link, protection, commands and their faults.

use crate::chips::{self, ChipPick};
use crate::content::{self, Look};
use crate::draw::Draw;
use crate::faults::{KINDS, Kind};

/// A seed's story as drawn.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// The seed.
    pub seed: u64,
    /// The chip.
    pub chip: ChipPick,
    /// What the chip holds at first.
    pub first: Vec<u8>,
    /// The images that are applied.
    pub images: Vec<Vec<u8>>,
    /// Keys of `[link]`.
    pub link: String,
    /// The word behind `protected`.
    pub protected: &'static str,
    /// Whether the WP# pin is low.
    pub pin_low: bool,
    /// Whether bit 7 of the status register makes that pin count.
    pub pin_counts: bool,
    /// What is done, in order.
    pub acts: Vec<Act>,
}

/// One command, and what goes wrong with it.
#[derive(Debug, Clone)]
pub struct Act {
    /// The command.
    pub command: Command,
    /// The faults.
    pub faults: Vec<Kind>,
}

/// A chip command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Command {
    /// Capture.
    Capture,
    /// Apply this image, whole.
    Apply(usize),
    /// Apply a part of this image at its own place: first byte, length.
    ApplyPart(usize, u32, u32),
    /// Fill.
    Fill(u8),
    /// Bring back the first capture of the chip, named by its id.
    RestoreFirst,
    /// Bring back the only capture of the job, unnamed.
    RestoreOnly,
    /// Compare with this image.
    Verify(usize),
    /// Make the plan to this image.
    Plan(usize),
}

impl Scenario {
    /// Returns what `seed` decides.
    #[must_use]
    pub fn draw(seed: u64) -> Self {
        let chip = chips::draw(&mut Draw::new(seed, "chip"));
        let size = chip.size as usize;
        let mut draw = Draw::new(seed, "content");
        let large = chip.words || chip.size > 1 << 20;
        let look = |draw: &mut Draw| match large {
            true => draw.weighted(&[(9, Look::Islands), (1, Look::Blank)]),
            false => draw.weighted(&[(14, Look::Structured), (1, Look::Blank), (4, Look::Random), (4, Look::Islands)]),
        };
        let kind = look(&mut draw);
        let first = content::make(kind, size, &mut draw);
        let images = (0..2)
            .map(|_| match draw.below(8) {
                0 => first.clone(),
                1..=3 => content::change(&first, &mut draw),
                _ => {
                    let kind = look(&mut draw);
                    content::make(kind, size, &mut draw)
                }
            })
            .collect();
        let mut draw = Draw::new(seed, "protection");
        let protected = match chip.layout_known || draw.chance(1, 10) {
            true if chip.layout_known => draw.weighted(&[(2, "none"), (3, "all"), (2, "upper-half")]),
            true => "all",
            false => "none",
        };
        let pin_low = draw.chance(1, 8);
        let pin_counts = draw.chance(1, 8);
        let link = link(&mut Draw::new(seed, "link"));
        let mut acts = acts(&chip, &mut Draw::new(seed, "acts"));
        if chip.layout_known && (protected != "none" || chip.comes_up_protected) && draw.chance(1, 3) {
            // Few chips have protection that can be lifted; where one has, a cut in a status write comes often.
            if let Some(fault) =
                acts.iter_mut().rfind(|act| act.command.writes()).and_then(|act| act.faults.first_mut())
            {
                *fault = Kind::CutInStatusWrite;
            }
        }
        Self { seed, chip, first, images, link, protected, pin_low, pin_counts, acts }
    }

    /// Tells whether protection stands in the way that nothing can take away.
    #[must_use]
    pub fn stays_protected(&self) -> bool {
        let set = self.protected != "none" || self.chip.comes_up_protected;
        set && (!self.chip.layout_known || self.pin_low && self.pin_counts)
    }
}

fn link(draw: &mut Draw) -> String {
    let all = ["read-range", "digest", "program-range", "erase-list", "line-test"];
    let features: Vec<String> = match draw.below(3) {
        0 => Vec::new(),
        1 => all.iter().map(|feature| format!("\"{feature}\"")).collect(),
        _ => all.iter().filter(|_| draw.chance(1, 2)).map(|feature| format!("\"{feature}\"")).collect(),
    };
    let clock = [1_000_000, 12_000_000, 33_000_000, 50_000_000][draw.index(4)];
    let mut text = format!("features = [{}]\nclock_hz = {clock}\n", features.join(", "));
    if draw.chance(1, 3) {
        text.push_str(&format!("bytes_per_second = {}\n", 100_000 + draw.below(2_000_000)));
    }
    if draw.chance(1, 3) {
        text.push_str(&format!("round_trip_us = {}\n", draw.below(500)));
    }
    if draw.chance(1, 6) {
        text.push_str("asks = true\n");
    }
    text
}

fn acts(chip: &ChipPick, draw: &mut Draw) -> Vec<Act> {
    let count = 1 + draw.index(4);
    let mut acts: Vec<Act> = (0..count)
        .map(|_| Act {
            command: command(chip, draw),
            faults: (0..faults(draw)).map(|_| draw.weighted(&KINDS)).collect(),
        })
        .collect();
    // Mostly there is something to go back to before anything is brought back.
    if draw.chance(3, 4) {
        acts[0].command = if draw.chance(1, 2) { Command::Capture } else { Command::Apply(draw.index(2)) };
    }
    // Something is written in every seed, and something goes wrong in it.
    if !acts.iter().any(|act| act.command.writes()) {
        acts.push(Act { command: Command::Apply(draw.index(2)), faults: Vec::new() });
    }
    if let Some(act) = acts.iter_mut().rfind(|act| act.command.writes())
        && act.faults.is_empty()
    {
        act.faults.push(draw.weighted(&KINDS));
    }
    acts
}

fn faults(draw: &mut Draw) -> usize {
    draw.weighted(&[(5, 0), (8, 1), (2, 2)])
}

fn command(chip: &ChipPick, draw: &mut Draw) -> Command {
    let image = draw.index(2);
    match draw.weighted(&[(3, 0), (10, 1), (3, 2), (3, 3), (4, 4), (2, 5), (2, 6), (1, 7)]) {
        0 => Command::Capture,
        1 => Command::Apply(image),
        2 => {
            let at = draw.below(u64::from(chip.size) - 1);
            let len = 1 + draw.below((u64::from(chip.size) - at).min(20_000));
            let number = |value: u64| u32::try_from(value).expect("below a chip's size");
            Command::ApplyPart(image, number(at), number(len))
        }
        // A large or slow chip takes too long to be filled with what has to be programmed.
        3 if chip.words || chip.size > 1 << 20 => Command::Fill(0xFF),
        3 => Command::Fill(if draw.chance(1, 2) { 0x00 } else { 0xFF }),
        4 => Command::RestoreFirst,
        5 => Command::RestoreOnly,
        6 => Command::Verify(image),
        _ => Command::Plan(image),
    }
}

impl Command {
    /// Tells whether the command is meant to change the chip.
    #[must_use]
    pub fn writes(self) -> bool {
        !matches!(self, Self::Capture | Self::Verify(_) | Self::Plan(_))
    }
}
