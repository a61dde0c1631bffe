//! When the next event of a fault comes: draws of distances instead of one draw for each clock.
//!
//! Gaps between events that have the same chance at every clock are geometric. Drawing the gap costs nothing for the
//! clocks between, so that whole ranges pass in one piece and each clock has still had its chance. What is left of a gap
//! is kept from piece to piece: cutting a range moves no event.

use crate::random::Stream;

/// Never.
const NEVER: u64 = u64::MAX;

/// Events with the same chance at every clock.
#[derive(Debug)]
pub(crate) struct Gap {
    chance: f64,
    left: u64,
    stream: Stream,
}

impl Gap {
    /// Events with `chance`, the first one drawn.
    pub(crate) fn new(chance: f64, mut stream: Stream) -> Self {
        Self { left: geometric(chance, &mut stream), chance, stream }
    }

    /// Clocks that pass before the next event.
    pub(crate) fn left(&self) -> u64 {
        self.left
    }

    /// So many clocks passed, at most [`Self::left`].
    pub(crate) fn pass(&mut self, clocks: u64) {
        if self.left != NEVER {
            self.left -= clocks;
        }
    }

    /// The event had its clock; the next one is drawn.
    pub(crate) fn next(&mut self) {
        self.left = geometric(self.chance, &mut self.stream);
    }

    /// The next clock has an event.
    pub(crate) fn arm(&mut self) {
        self.left = 0;
    }

    /// From now on events have another chance. Gaps have no memory, so that a new one may be drawn at any time; one that
    /// is armed stays so.
    pub(crate) fn set_chance(&mut self, chance: f64) {
        if chance.to_bits() != self.chance.to_bits() {
            self.chance = chance;
            if self.left != 0 {
                self.next();
            }
        }
    }

    /// Calls `event` for each of the next `len` clocks that has one, with its number and the stream.
    pub(crate) fn each(&mut self, len: u64, mut event: impl FnMut(u64, &mut Stream)) {
        let mut at = 0;
        while self.left < len - at {
            at += self.left;
            event(at, &mut self.stream);
            at += 1;
            self.next();
        }
        self.pass(len - at);
    }
}

/// How long a state lasts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Length {
    /// Each clock ends it with this chance.
    Ends(f64),
    /// From one clock to so many, each as likely.
    UpTo(u64),
    /// Just so many.
    Clocks(u64),
    /// Until somebody ends it.
    Endless,
}

/// A state that comes and goes: a contact that opens, a pause, a burst.
#[derive(Debug)]
pub(crate) struct Bursts {
    inside: bool,
    left: u64,
    chance: f64,
    length: Length,
    pub(crate) stream: Stream,
}

impl Bursts {
    /// A state that begins with `chance` at each clock.
    pub(crate) fn new(chance: f64, length: Length, mut stream: Stream) -> Self {
        Self { inside: false, left: geometric(chance, &mut stream), chance, length, stream }
    }

    /// A state that takes `share` of the clocks, above 0, and begins with `chance`; it is there from the start when it
    /// takes all of them.
    pub(crate) fn of_share(chance: f64, share: f64, stream: Stream) -> Self {
        if share >= 1.0 {
            return Self { inside: true, left: NEVER, chance: 0.0, length: Length::Endless, stream };
        }
        // In balance share x ends = (1 - share) x begins.
        Self::new(chance, Length::Ends((chance * (1.0 - share) / share).min(1.0)), stream)
    }

    /// Whether the state is there.
    pub(crate) fn inside(&self) -> bool {
        self.inside
    }

    /// Clocks until it begins or ends.
    pub(crate) fn left(&self) -> u64 {
        self.left
    }

    /// So many clocks passed, at most [`Self::left`].
    pub(crate) fn pass(&mut self, clocks: u64) {
        if self.left != NEVER {
            self.left -= clocks;
        }
    }

    /// It begins or ends now.
    pub(crate) fn turn(&mut self) {
        self.inside = !self.inside;
        self.left = if !self.inside {
            geometric(self.chance, &mut self.stream)
        } else {
            match self.length {
                Length::Ends(chance) => geometric(chance, &mut self.stream).saturating_add(1),
                Length::UpTo(most) => 1 + self.stream.below(most.max(1)),
                Length::Clocks(clocks) => clocks.max(1),
                Length::Endless => NEVER,
            }
        };
    }

    /// It is over, whatever was drawn.
    pub(crate) fn end(&mut self) {
        if self.inside {
            self.turn();
        }
    }

    /// It begins with the next clock.
    pub(crate) fn arm(&mut self) {
        self.left = 0;
    }

    /// Calls `stretch` for each stretch of the next `len` clocks in which the state is there.
    pub(crate) fn each(&mut self, len: u64, mut stretch: impl FnMut(u64, u64, &mut Stream)) {
        let mut at = 0;
        while at < len {
            if self.left == 0 {
                self.turn();
            }
            let clocks = self.left.min(len - at);
            if self.inside && clocks > 0 {
                stretch(at, at + clocks, &mut self.stream);
            }
            self.pass(clocks);
            at += clocks;
        }
    }
}

/// Clocks that pass before an event of this chance.
fn geometric(chance: f64, stream: &mut Stream) -> u64 {
    if chance <= 0.0 {
        return NEVER;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast to an integer saturates")]
    let gap = (stream.fraction().ln() / (-chance).ln_1p()) as u64;
    gap
}

#[cfg(test)]
mod tests {
    use super::*;

    fn events(chance: f64, lengths: &[u64]) -> Vec<u64> {
        let mut gap = Gap::new(chance, Stream::new(3, "gap"));
        let (mut all, mut base) = (Vec::new(), 0);
        for len in lengths {
            gap.each(*len, |at, _| all.push(base + at));
            base += len;
        }
        all
    }

    #[test]
    fn every_clock_has_the_same_chance() {
        assert!(events(0.0, &[4096]).is_empty());
        assert_eq!(events(1.0, &[4096]), (0..4096).collect::<Vec<_>>());
        let count = events(0.01, &[1 << 23]).len();
        assert!((82_000..86_000).contains(&count), "a hundredth of 8,388,608 clocks, not {count}");
    }

    #[test]
    fn cutting_a_range_in_pieces_moves_no_event() {
        assert_eq!(events(0.003, &[8000]), events(0.003, &[1, 0, 3999, 2400, 1600]));
    }

    #[test]
    fn an_armed_event_comes_at_once_and_alone() {
        let mut gap = Gap::new(0.0, Stream::new(3, "gap"));
        gap.arm();
        gap.set_chance(0.0);
        let mut all = Vec::new();
        gap.each(1000, |at, _| all.push(at));
        assert_eq!(all, [0]);
    }

    #[test]
    fn a_state_takes_its_share_of_the_clocks() {
        for share in [0.1, 0.5, 0.9] {
            let mut bursts = Bursts::of_share(0.01, share, Stream::new(5, "bursts"));
            let mut clocks = 0;
            bursts.each(1_000_000, |from, to, _| clocks += to - from);
            let wanted = share * 1e6;
            #[expect(clippy::cast_precision_loss, reason = "at most a million")]
            let found = clocks as f64;
            assert!((wanted - 3e4..wanted + 3e4).contains(&found), "{share}: {clocks}");
        }
    }

    #[test]
    fn a_state_lasts_as_long_as_its_length_says() {
        for (length, least, most) in [(Length::UpTo(8), 1, 8), (Length::Clocks(5), 5, 5)] {
            let mut bursts = Bursts::new(0.001, length, Stream::new(5, "bursts"));
            let mut seen = Vec::new();
            bursts.each(1_000_000, |from, to, _| seen.push(to - from));
            assert_eq!((seen.iter().min(), seen.iter().max()), (Some(&least), Some(&most)), "{length:?}");
        }
    }
}
