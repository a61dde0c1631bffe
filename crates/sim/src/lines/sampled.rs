//! What the link samples of what the chip drives: weak and open contacts, noise, late sampling, shifts.
//!
//! Each works on whole pieces of an answer and draws where its next event is, so that bits without events cost little.

use super::bits;
use super::draws::{Bursts, Gap};
use crate::faults::{KNEE_NS, LEAD_NS, OUTPUT_NS, Pull};
use crate::random::Stream;

/// What the piece of an answer has around it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scene {
    /// What DO is at while nothing drives it.
    pub(crate) float: bool,
    /// DI while the link reads.
    pub(crate) data_in: bool,
    /// The bit behind the piece.
    pub(crate) after: bool,
    /// Clock rate.
    pub(crate) hz: u32,
}

/// The level of a line that is left to `pull`, beside a line at `neighbour`.
pub(crate) fn level(pull: Pull, neighbour: bool) -> bool {
    match pull {
        Pull::Up => true,
        Pull::Down => false,
        Pull::Neighbour => neighbour,
    }
}

/// DO that does not reach the link's input.
#[derive(Debug)]
pub(crate) struct OpenDataOut {
    pub(crate) bursts: Bursts,
    pub(crate) pull: Pull,
    /// Bits in which the clock's rising edge lifts a line that follows its neighbours: 1 in 16 (a choice, no source).
    lifted: Gap,
}

impl OpenDataOut {
    pub(crate) fn new(bursts: Bursts, pull: Pull, stream: Stream) -> Self {
        Self { bursts, pull, lifted: Gap::new(1.0 / 16.0, stream) }
    }

    pub(crate) fn spoil(&mut self, out: &mut [u8], scene: Scene) {
        let (pull, lifted) = (self.pull, &mut self.lifted);
        self.bursts.each(out.len() as u64 * 8, |from, to, _| {
            bits::fill(out, from, to, level(pull, scene.data_in));
            if pull == Pull::Neighbour {
                lifted.each(to - from, |at, _| bits::set(out, from + at, true));
            }
        });
    }
}

/// DO through a high resistance.
#[derive(Debug)]
pub(crate) struct WeakDataOut {
    pub(crate) bursts: Bursts,
    pub(crate) share: f64,
    pub(crate) pull: Pull,
}

impl WeakDataOut {
    pub(crate) fn spoil(&mut self, out: &mut [u8], scene: Scene) {
        let (share, wanted) = (self.share, level(self.pull, scene.data_in));
        self.bursts.each(out.len() as u64 * 8, |from, to, stream| {
            for at in from..to {
                if bits::get(out, at) != wanted && stream.fraction() <= share {
                    bits::set(out, at, wanted);
                }
            }
        });
    }
}

/// Flips bits of any place and level.
pub(crate) fn noise(gap: &mut Gap, out: &mut [u8]) {
    gap.each(out.len() as u64 * 8, |at, _| bits::flip(out, at));
}

/// Sampling beside the bit.
#[derive(Debug)]
pub(crate) struct LateSampling {
    pub(crate) gap: Gap,
    /// Chance at 12 MHz with leads of half length.
    chance: f64,
    lead: f64,
    /// Catches the bit after instead of the one before.
    after: bool,
    /// The line's level before the piece, behind the first one.
    before: Option<bool>,
}

impl LateSampling {
    pub(crate) fn new(chance: f64, lead: f64, mut stream: Stream) -> Self {
        let after = stream.bits() & 1 == 1;
        Self { gap: Gap::new(0.0, stream), chance, lead, after, before: None }
    }

    pub(crate) fn begin(&mut self) {
        self.before = None;
    }

    pub(crate) fn spoil(&mut self, out: &mut [u8], scene: Scene) {
        self.gap.set_chance(chance_at(self.chance, self.lead, scene.hz));
        let mut before = self.before.unwrap_or(scene.float);
        for at in (0..out.len()).step_by(8) {
            let len = (out.len() - at).min(8);
            let mut word = [0; 8];
            word[..len].copy_from_slice(&out[at..at + len]);
            let word = u64::from_be_bytes(word);
            let width = 8 * u32::try_from(len).expect("at most 8");
            let beside = if self.after {
                let next = out.get(at + 8).map_or(scene.after, |next| next & 0x80 != 0);
                word << 1 | u64::from(next) << (64 - width)
            } else {
                word >> 1 | u64::from(before) << 63
            };
            let changes = (word ^ beside) & u64::MAX << (64 - width);
            before = word >> (64 - width) & 1 == 1;
            let (mut rest, mut passed) = (changes, 0);
            self.gap.each(changes.count_ones().into(), |number, _| {
                while passed < number {
                    rest &= !(1 << (63 - rest.leading_zeros()));
                    passed += 1;
                }
                bits::flip(out, at as u64 * 8 + u64::from(rest.leading_zeros()));
            });
        }
        self.before = Some(before);
    }
}

/// Chance at a transition with this clock and these leads.
fn chance_at(chance: f64, lead: f64, hz: u32) -> f64 {
    let margin = |lead: f64, hz: f64| 5e8 / hz - OUTPUT_NS - LEAD_NS * lead;
    (chance * ((margin(0.5, 12e6) - margin(lead, hz.into())) / KNEE_NS).exp()).min(1.0)
}

/// Answers that lie one clock beside.
#[derive(Debug)]
pub(crate) struct Shift {
    share: f64,
    stream: Stream,
    /// One clock early instead of late.
    early: bool,
    acts: bool,
    armed: bool,
    carry: Option<bool>,
}

impl Shift {
    pub(crate) fn new(share: f64, mut stream: Stream) -> Self {
        let early = stream.bits() & 1 == 1;
        Self { share, stream, early, acts: false, armed: false, carry: None }
    }

    pub(crate) fn arm(&mut self) {
        self.armed = true;
    }

    pub(crate) fn begin(&mut self) {
        self.carry = None;
        self.acts = std::mem::take(&mut self.armed) || self.stream.fraction() <= self.share;
    }

    pub(crate) fn spoil(&mut self, out: &mut [u8], scene: Scene) {
        if self.acts && self.early {
            bits::earlier(out, scene.after);
        } else if self.acts {
            self.carry = Some(bits::later(out, self.carry.unwrap_or(scene.float)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::draws::Length;
    use super::*;

    const SCENE: Scene = Scene { float: true, data_in: false, after: false, hz: 12_000_000 };

    fn stream() -> Stream {
        Stream::new(5, "sampled")
    }

    fn late(chance: f64, after: bool) -> LateSampling {
        LateSampling { after, ..LateSampling::new(chance, 0.5, stream()) }
    }

    /// Before the answer the line floats high; every transition shows the bit before it, which delays all by one.
    #[test]
    fn sampling_too_late_at_every_transition_gives_the_bit_before() {
        let mut out = [0b0110_0101, 0b1000_0000];
        late(1.0, false).spoil(&mut out, SCENE);
        assert_eq!(out, [0b1011_0010, 0b1100_0000]);
    }

    /// The bit behind the answer is low.
    #[test]
    fn sampling_past_the_next_edge_gives_the_bit_after() {
        let mut out = [0b0110_0101, 0b1000_0001];
        late(1.0, true).spoil(&mut out, SCENE);
        assert_eq!(out, [0b1100_1011, 0b0000_0010]);
    }

    #[test]
    fn sampling_beside_changes_bits_at_transitions_only_and_no_cut_moves_them() {
        for after in [false, true] {
            let source: Vec<u8> = (0..40_000_u32).map(|at| if at % 7 == 0 { 0x0F } else { 0xFF }).collect();
            let mut whole = source.clone();
            late(0.01, after).spoil(&mut whole, SCENE);
            let changed = whole.iter().zip(&source).filter(|(new, old)| new != old).count();
            // Each 0Fh between FFh has two transitions; in 5,715 of them, a hundredth.
            assert!((80..150).contains(&changed), "{changed}");
            let mut sampler = late(0.01, after);
            let (mut pieces, mut from) = (source.clone(), 0);
            for to in [1, 8, 9, 5000, 40_000] {
                let next = pieces.get(to).is_some_and(|next| next & 0x80 != 0);
                sampler.spoil(&mut pieces[from..to], Scene { after: next, ..SCENE });
                from = to;
            }
            assert_eq!(pieces, whole);
        }
    }

    /// 12 MHz: half a clock is 41.7 ns; 7 ns and 25 ns of delay leave 9.7 ns. 6 MHz adds 41.7 ns: e^-13.9. 24 MHz takes
    /// 20.8 ns: e^6.9. Leads of full length take 25 ns: e^8.3.
    #[test]
    fn late_sampling_is_worse_with_clock_and_lead() {
        let near = |found: f64, wanted: f64| (found / wanted - 1.0).abs() < 0.05;
        assert!(near(chance_at(1e-6, 0.5, 12_000_000), 1e-6));
        assert!(near(chance_at(1e-6, 0.5, 6_000_000), 1e-6 * 9.3e-7));
        assert!(near(chance_at(1e-6, 0.5, 24_000_000), 1e-6 * 1037.0));
        assert!(near(chance_at(1e-6, 1.0, 12_000_000), 1e-6 * 4160.0));
        assert!(near(chance_at(1e-3, 1.0, 48_000_000), 1.0));
    }

    #[test]
    fn a_weak_contact_loses_bits_against_its_pull_alone() {
        for (pull, lost) in [(Pull::Up, 0xFF), (Pull::Down, 0x00), (Pull::Neighbour, 0x00)] {
            let bursts = || Bursts::new(0.001, Length::Ends(1.0 / 64.0), stream());
            let mut zeros = vec![0x00; 100_000];
            WeakDataOut { bursts: bursts(), share: 0.5, pull }.spoil(&mut zeros, SCENE);
            let mut ones = vec![0xFF; 100_000];
            WeakDataOut { bursts: bursts(), share: 0.5, pull }.spoil(&mut ones, SCENE);
            let (against, along) = if lost == 0xFF { (&zeros, &ones) } else { (&ones, &zeros) };
            assert!(along.iter().all(|byte| *byte == lost), "{pull:?}: what is of the pull's level stays");
            // 64 of 1,064 bits lie in bursts, half of them are lost: 24,000 of 800,000.
            let changed: u32 = against.iter().map(|byte| (byte ^ !lost).count_ones()).sum();
            assert!((19_000..29_000).contains(&changed), "{pull:?}: {changed}");
        }
    }

    #[test]
    fn an_open_data_out_follows_its_pull_or_its_neighbour() {
        let open = |pull| OpenDataOut::new(Bursts::of_share(0.0, 1.0, stream()), pull, stream());
        let mut out = [0x5A; 4];
        open(Pull::Up).spoil(&mut out, SCENE);
        assert_eq!(out, [0xFF; 4]);
        open(Pull::Down).spoil(&mut out, SCENE);
        assert_eq!(out, [0x00; 4]);
        let mut out = vec![0x5A; 100_000];
        open(Pull::Neighbour).spoil(&mut out, SCENE);
        let ones: u32 = out.iter().map(|byte| byte.count_ones()).sum();
        assert!((48_000..52_000).contains(&ones), "data-in is low, and one bit in 16 is lifted: {ones}");
        open(Pull::Neighbour).spoil(&mut out, Scene { data_in: true, ..SCENE });
        assert!(out.iter().all(|byte| *byte == 0xFF), "data-in is high");
    }

    #[test]
    fn a_shift_moves_by_one_and_carries_over_pieces() {
        let shift = |early| Shift { early, ..Shift::new(1.0, stream()) };
        let mut late = shift(false);
        late.begin();
        let mut out = [0xEF, 0x40];
        late.spoil(&mut out[..1], SCENE);
        late.spoil(&mut out[1..], SCENE);
        assert_eq!(out, [0b1111_0111, 0b1010_0000], "the line was high before the answer");
        let mut early = shift(true);
        early.begin();
        let mut out = [0xEF, 0x40];
        early.spoil(&mut out, Scene { after: true, ..SCENE });
        assert_eq!(out, [0b1101_1110, 0b1000_0001], "the next bit is high");
    }
}
