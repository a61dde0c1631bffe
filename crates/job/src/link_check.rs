//! `link check`: which contacts are good, how fast the wires are, and the live watch over a clip that is being seated.
//!
//! The questions are those of every loose chip command (S4, S7, S13), since lines are driven. The sweep asks for the id a
//! thousand times at each clock and reads the first 4 KiB twice; the fastest clock at which all of that agrees with the slowest
//! one is the limit of these wires, and three quarters of it is what to use: warmth, another clip or a longer lead take the rest
//! (common practice, no source).
//!
//! The watch looks ten times a second and calls a word when two looks in a row agree on it, so a change is called within 300 ms.

use std::path::Path;

use driver::{AtClock, Look, ids, look};
use nor::chip::id_text;
use nor::supply::Supply;
use serde::Serialize;

use crate::contacts::{Contact, Pin, Word, pins, word};
use crate::error::JobError;
use crate::front::{Front, News, Tone};
use crate::reach::{LinkName, Reached, not_to_be_driven};
use crate::session::{ChipOptions, now, open_bench, run_op};
use crate::supply::{self, Stated, Statements};
use crate::wiring;

/// How often the id is asked for at each clock.
const IDS: u32 = 1000;
/// Clocks of the sweep, in hertz, as far as the link reaches them.
const CLOCKS: [u32; 14] = [
    100_000, 500_000, 1_000_000, 2_000_000, 4_000_000, 6_000_000, 8_000_000, 12_000_000, 16_000_000, 20_000_000,
    25_000_000, 33_000_000, 40_000_000, 50_000_000,
];
/// Between two looks of the watch.
const BETWEEN_US: u64 = 100_000;
/// All contacts have to answer for so long before the rising tone.
const STEADY_US: u64 = 3_000_000;

/// What a link check ends with.
#[derive(Debug, Clone, Serialize)]
pub struct CheckReport {
    /// The link, as it was given.
    pub link: String,
    /// The word for it.
    pub word: String,
    /// What to do, in a sentence.
    pub advice: String,
    /// The eight contacts.
    pub pins: Vec<Pin>,
    /// The supply at the chip, where the link senses it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply_mv: Option<u32>,
    /// The id that most looks gave; none when no chip answers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What happened at each clock, slowest first; it ends after two that fail.
    pub clocks: Vec<ClockReport>,
    /// The fastest clock at which everything agreed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fastest_hz: Option<u32>,
    /// What to use: three quarters of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub use_hz: Option<u32>,
    /// Whether every contact is good and the id always right at the slowest clock.
    pub good: bool,
}

/// One clock of the sweep.
#[derive(Debug, Clone, Serialize)]
pub struct ClockReport {
    /// The rate that the link took.
    pub clock_hz: u32,
    /// How often the id was asked for.
    pub asked: u32,
    /// How often it was right.
    pub right: u32,
    /// Whether the first 4 KiB read as at the slowest clock, both times.
    pub window_equal: bool,
}

impl ClockReport {
    fn agrees(&self) -> bool {
        self.asked == self.right && self.window_equal
    }
}

/// What a watch ends with.
#[derive(Debug, Clone, Serialize)]
pub struct WatchReport {
    /// The link, as it was given.
    pub link: String,
    /// Looks that were made.
    pub looks: u64,
    /// The last word.
    pub word: String,
    /// Whether all contacts answered for three seconds at some time.
    pub seated: bool,
}

/// An open link whose lines may be driven.
struct Check<'f> {
    reached: Reached,
    name: LinkName,
    stated: Stated,
    /// Whether it was seen to be gone.
    lost: bool,
    drives: Supply,
    given: String,
    front: &'f mut dyn Front,
    _lock: vault::Lock,
}

impl<'f> Check<'f> {
    fn open(bench: &Path, options: &ChipOptions, front: &'f mut dyn Front) -> Result<Self, JobError> {
        let name = LinkName::parse(&options.link)?;
        let vault = open_bench(bench)?;
        let lock = vault.lock(&format!("link {}", name.canonical()), "firmhand link check", &now())?;
        let mut reached = name.open()?;
        if reached.kernel.is_some() {
            let why = "the kernel drives this flash: there are no contacts to check".into();
            return Err(JobError::NoSuchLink { link: name.given().to_owned(), why });
        }
        let stated = supply::state(Statements {
            supply: options.supply,
            marking: options.marking.as_deref(),
            drives: options.drives,
            link_drives: reached.says_it_drives(options.drives),
            chip_bears: reached.chip_bears,
            profile_bears: None,
        })?;
        if reached.asks {
            let mut answers = Vec::new();
            wiring::supplies_off(front, options, &mut answers)?;
            reached = wiring::clip_on(front, options, &name, reached, &mut answers)?;
            wiring::pin_one(front, options, &mut answers)?;
        }
        reached.see_to_supply(&stated, true)?;
        let given = name.given().to_owned();
        Ok(Self { reached, name, drives: stated.drives, stated, lost: false, given, front, _lock: lock })
    }

    /// Whether the link is there. A programmer that was unplugged is opened anew when it is back: it has let go of everything.
    fn is_there(&mut self) -> Result<bool, JobError> {
        if !self.reached.link.is_present() {
            self.lost = true;
            return Ok(false);
        }
        if self.lost && self.reached.can_be_reopened() {
            match self.name.open() {
                Ok(reached) => self.reached = reached,
                // It was just plugged in: the node is there before its rights are.
                Err(JobError::Link(_)) => return Ok(false),
                Err(error) => return Err(error),
            }
            self.reached.see_to_supply(&self.stated, true)?;
        }
        self.lost = false;
        Ok(true)
    }

    /// One look. With lines that must not be driven, or a chip without supply, the id is not asked for.
    fn look(&mut self) -> Result<Look, JobError> {
        if let Some(lines) = self.reached.test_lines()? {
            let unfed = lines.supply_mv.is_some_and(|mv| mv < self.drives.mv / 2);
            if unfed || not_to_be_driven(&lines).is_some() {
                return Ok(Look { lines: Some(lines), ids: [Vec::new(), Vec::new()] });
            }
        }
        run_op(self.reached.link.as_mut(), self.front, "looking at the contacts", look)
    }

    fn at(&mut self, clock_hz: u32, id: &[u8]) -> Result<AtClock, JobError> {
        let expected = id.to_vec();
        run_op(self.reached.link.as_mut(), self.front, "asking for the id", |limits| {
            ids(limits, clock_hz, IDS, expected)
        })
    }
}

/// Tests every contact once, then the clocks.
///
/// # Errors
/// [`JobError`] for a link that cannot be used; contacts that are bad are a result.
pub fn check(bench: &Path, options: &ChipOptions, front: &mut dyn Front) -> Result<CheckReport, JobError> {
    let mut check = Check::open(bench, options, front)?;
    if !check.reached.link.is_present() {
        return Err(JobError::LinkAbsent { link: check.given });
    }
    let first = check.look()?;
    let word = word(&first, check.drives);
    let pins = pins(&first, check.drives);
    let mut clocks = Vec::new();
    let mut id = None;
    if matches!(word, Word::Seated | Word::ReseatAll) {
        let expected = first.ids[0].clone();
        clocks = check.sweep(&expected)?;
        id = Some(id_text(&expected));
    }
    let agreeing = clocks.iter().take_while(|clock| clock.agrees());
    let fastest_hz = agreeing.map(|clock| clock.clock_hz).last();
    let pins_good =
        pins.iter().all(|pin| !matches!(pin.contact, Contact::Open | Contact::MovesWith(_) | Contact::Driven));
    Ok(CheckReport {
        link: check.given,
        word: word.text(),
        advice: word.advice(),
        pins,
        supply_mv: first.lines.and_then(|lines| lines.supply_mv),
        id,
        good: word == Word::Seated && pins_good && fastest_hz.is_some(),
        use_hz: fastest_hz.map(|hz| hz / 4 * 3),
        fastest_hz,
        clocks,
    })
}

impl Check<'_> {
    fn sweep(&mut self, id: &[u8]) -> Result<Vec<ClockReport>, JobError> {
        let (slowest, fastest) = self.reached.link.limits().clock_hz;
        let between = CLOCKS.into_iter().filter(|hz| *hz > slowest && *hz < fastest);
        let mut clocks = vec![slowest];
        clocks.extend(between);
        clocks.push(fastest);
        clocks.dedup();
        let mut reports: Vec<ClockReport> = Vec::new();
        let mut window = None;
        for hz in clocks {
            let found = self.at(hz, id)?;
            let [first, second] = found.windows;
            let wanted = window.get_or_insert_with(|| first.clone());
            let window_equal = first == *wanted && second == *wanted;
            match reports.last_mut() {
                // A link divides its own clock, and two rates that are asked for can come out as one.
                Some(last) if last.clock_hz == found.clock_hz => {
                    last.asked += found.asked;
                    last.right += found.right;
                    last.window_equal &= window_equal;
                }
                _ => reports.push(ClockReport {
                    clock_hz: found.clock_hz,
                    asked: found.asked,
                    right: found.right,
                    window_equal,
                }),
            }
            if reports.iter().rev().take(2).filter(|clock| !clock.agrees()).count() == 2 {
                break;
            }
        }
        Ok(reports)
    }
}

/// Watches the contacts until the person stops it, or for `seconds` of the link's time.
///
/// # Errors
/// [`JobError`] for a link that cannot be used; a programmer that is unplugged is waited for.
pub fn watch(
    bench: &Path,
    options: &ChipOptions,
    seconds: Option<u32>,
    front: &mut dyn Front,
) -> Result<WatchReport, JobError> {
    let mut check = Check::open(bench, options, front)?;
    let begun = check.reached.link.now_us();
    let end = seconds.map(|seconds| begun + u64::from(seconds) * 1_000_000);
    let mut watch = Watch::default();
    let mut looks = 0;
    while !check.front.wants_stop() {
        let seen = if check.is_there()? {
            match check.look() {
                Ok(look) => word(&look, check.drives),
                Err(JobError::Stopped { .. }) => break,
                Err(error) if error.kind() == crate::ErrorKind::CutOff => {
                    check.lost = true;
                    Word::Unplugged
                }
                Err(error) => return Err(error),
            }
        } else {
            Word::Unplugged
        };
        looks += 1;
        let now = check.reached.link.now_us();
        let told = watch.take(seen, now);
        if let Some(word) = told.word {
            check.front.news(&News::Seen { word: word.text(), link_us: now - begun });
        }
        if let Some(tone) = told.tone {
            check.front.news(&News::Tone(tone));
        }
        if end.is_some_and(|end| now >= end) {
            break;
        }
        check.reached.link.wait_us(BETWEEN_US);
    }
    let word = watch.called.unwrap_or(Word::Unplugged).text();
    Ok(WatchReport { link: check.given, looks, word, seated: watch.rang })
}

/// What the watch has called so far.
#[derive(Debug, Default)]
struct Watch {
    last: Option<Word>,
    called: Option<Word>,
    seated_since: Option<u64>,
    /// Whether the rising tone was ever given.
    rang: bool,
    /// Whether contact has been called since, so that losing it is news.
    up: bool,
}

/// What one look adds.
struct Told {
    word: Option<Word>,
    tone: Option<Tone>,
}

impl Watch {
    fn take(&mut self, seen: Word, now_us: u64) -> Told {
        let twice = self.last.replace(seen) == Some(seen);
        let mut told = Told { word: None, tone: None };
        if twice && self.called != Some(seen) {
            told.word = Some(seen);
            self.called = Some(seen);
            self.seated_since = (seen == Word::Seated).then_some(now_us);
            if seen != Word::Seated && std::mem::take(&mut self.up) {
                told.tone = Some(Tone::Falling);
            }
        }
        let long = self.seated_since.is_some_and(|since| now_us.saturating_sub(since) >= STEADY_US);
        if seen == Word::Seated && long && !self.up {
            self.up = true;
            self.rang = true;
            told.tone = Some(Tone::Rising);
        }
        told
    }
}

impl CheckReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("{}: {}\n", self.word, self.advice);
        for pin in &self.pins {
            let levels = pin.levels.map_or_else(String::new, |[up, down]| {
                let level = |high: bool| if high { "high" } else { "low" };
                format!("pulled up {}, down {}", level(up), level(down))
            });
            let rise = pin.rise_ns.map_or_else(String::new, |ns| format!(", rises in {ns} ns"));
            text += &format!("  pin {} {:<5} {:<12} {levels}{rise}", pin.pin, pin.signal, contact_text(pin.contact));
            text.truncate(text.trim_end().len());
            text.push('\n');
        }
        if let Some(mv) = self.supply_mv {
            text += &format!("  supply at the chip {}.{:02} V\n", mv / 1000, mv % 1000 / 10);
        }
        for clock in &self.clocks {
            text += &format!(
                "  {:>8} kHz  id right {} of {}, first 4 KiB {}\n",
                clock.clock_hz / 1000,
                clock.right,
                clock.asked,
                if clock.window_equal { "equal" } else { "DIFFERS" }
            );
        }
        if let (Some(fastest), Some(wanted)) = (self.fastest_hz, self.use_hz) {
            text += &format!("  everything agrees up to {} kHz; use {} kHz", fastest / 1000, wanted / 1000);
        }
        text.trim_end().to_owned()
    }
}

fn contact_text(contact: Contact) -> String {
    match contact {
        Contact::Good => "good".into(),
        Contact::Open => "OPEN".into(),
        Contact::MovesWith(pin) => format!("WITH PIN {pin}"),
        Contact::Driven => "DRIVEN".into(),
        Contact::Low => "low".into(),
        Contact::Unknown => "not tested".into(),
    }
}

impl WatchReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{} looks, the last one {}", self.looks, self.word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks every 100 ms: what is called when, with the tones.
    fn called(seen: &[(Word, u32)]) -> Vec<(u64, String)> {
        let mut watch = Watch::default();
        let mut calls = Vec::new();
        let words = seen.iter().flat_map(|(word, count)| std::iter::repeat_n(*word, *count as usize));
        for (index, word) in words.enumerate() {
            let now_ms = index as u64 * 100;
            let told = watch.take(word, now_ms * 1000);
            calls.extend(told.word.map(|word| (now_ms, word.text())));
            calls.extend(told.tone.map(|tone| (now_ms, format!("{tone:?}"))));
        }
        calls
    }

    #[test]
    fn a_word_is_called_when_two_looks_agree_and_the_tone_comes_after_three_seconds() {
        let calls = called(&[(Word::Reseat(5), 3), (Word::Seated, 40), (Word::Reseat(2), 2), (Word::Seated, 5)]);
        let wanted = [
            (100, "RESEAT PIN 5"),
            (400, "SEATED"),
            (3400, "Rising"),
            (4400, "RESEAT PIN 2"),
            (4400, "Falling"),
            (4600, "SEATED"),
        ];
        assert_eq!(calls, wanted.map(|(ms, text)| (ms, text.to_owned())));
    }

    #[test]
    fn one_odd_look_is_no_news() {
        let calls = called(&[(Word::Seated, 10), (Word::NoAnswer, 1), (Word::Seated, 10)]);
        assert_eq!(calls, [(100, "SEATED".to_owned())]);
    }
}
