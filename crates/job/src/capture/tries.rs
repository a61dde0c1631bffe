//! The tries of one capture: what is read next, what is read again, and when a contact has to be reseated.
//!
//! What comes next is decided in `evidence::strategy`, from everything that was read since the contacts were last touched. Here
//! it is done. When a few sectors differ and no contact is to blame, they alone are read again, slower; the capture then has in
//! each of them what two such reads and one whole pass agree on, and the whole is judged like any other. Sectors are never
//! settled by counting votes: a read that differs from two agreeing ones makes a dispute, not a minority.

use std::ops::Range;

use driver::{Content, Order, Pass, PassPlan};
use evidence::{
    Diagnosis, History, Judgement, Manner, Next, Patience, Reach, Reading, Transaction, Transactions, next,
};
use nor::SECTOR;
use serde_json::{Value, json};

use super::{as_evidence, bytes_of, order_of};
use crate::error::JobError;
use crate::proof::sums;
use crate::session::{Session, run_op};
use crate::text::counted;

/// Bytes of one read that is short: a page of most chips.
const SHORT: u32 = 256;

/// What the tries of a capture have gathered.
#[derive(Default)]
pub(super) struct Tries {
    /// Whole passes since the contacts were last touched.
    pub passes: Vec<Pass>,
    /// Reads of disputed sectors since then.
    parts: Vec<Pass>,
    /// What those were.
    disputed: Vec<Range<u32>>,
    /// Times that this job asked for a contact to be reseated before.
    pub reseated: u32,
    /// Sectors of the capture that were read again.
    pub settled_sectors: u32,
    /// The judgement on the passes, with its diagnosis when there is anything to explain.
    pub judgement: Option<Judgement>,
    pub diagnosis: Option<Diagnosis>,
    /// The manner in which the tries ended.
    pub end: Option<End>,
}

/// How the tries ended.
pub(super) enum End {
    /// The passes make a capture, or are judged as they stand.
    Decided,
    /// A contact has to be reseated before the next try, or patience is over.
    Contact {
        /// What to do, in a sentence.
        advice: String,
        /// Pin and signal to reseat before the next try; none when that was asked for often enough.
        reseat: Option<Value>,
    },
}

impl Session<'_> {
    /// Reads until the passes decide, or a contact has to be reseated. Whoever does that runs the same command again: hands
    /// are at the clip, and the programmer has to be unplugged for it (S13).
    pub(super) fn gather(&mut self) -> Result<Tries, JobError> {
        let (slowest_hz, fastest_hz) = self.reached.link.limits().clock_hz;
        let size = self.identity.chip.size;
        let mut reach = Reach { slowest_hz, fastest_hz, size };
        let mut tries = Tries { reseated: self.reseated()?, ..Tries::default() };
        loop {
            self.judge(&mut tries)?;
            let count = |passes: &[Pass]| u32::try_from(passes.len()).unwrap_or(u32::MAX);
            let history = History {
                passes: count(&tries.passes),
                sector_reads: count(&tries.parts),
                reseated: tries.reseated,
                judgement: tries.judgement.as_ref(),
                diagnosis: tries.diagnosis.as_ref(),
                settled: tries.are_settled(),
            };
            match next(&history, &reach, &Patience::default()) {
                Next::Pass(manner) => {
                    // A digest shows that something differs and not what; after a dispute bytes are wanted.
                    let digest = tries.passes.len() == 1;
                    let plan = self.plan_of(&manner, digest);
                    let fast = plan.fast && self.fast_read_fits(tries.passes.first())?;
                    let pass = self.read_pass(PassPlan { fast, ..plan })?;
                    tries.passes.push(pass);
                }
                Next::Sectors { ranges, manner } => {
                    let sectors = sectors_in(&ranges);
                    if tries.parts.is_empty() {
                        self.say(format!("{} of 4 KiB read again, slower", counted(sectors.into(), "disputed sector")));
                    }
                    let plan = self.plan_of(&manner, false);
                    let fast = plan.fast && self.fast_read_fits(tries.passes.first())?;
                    let part = self.read_parts(PassPlan { fast, ..plan }, ranges.clone())?;
                    tries.parts.push(part);
                    tries.disputed = ranges;
                }
                Next::Slower { clock_hz } => {
                    self.say(format!(
                        "bits are taken too late at this clock: beginning anew at {} kHz",
                        clock_hz / 1000
                    ));
                    reach.fastest_hz = clock_hz;
                    tries = Tries { reseated: tries.reseated, ..Tries::default() };
                }
                Next::Reseat { fault, signal, pin, advice } => {
                    self.say(format!("the reads look like {fault}"));
                    let reseat = Some(json!({ "pin": pin, "signal": signal }));
                    tries.end = Some(End::Contact { advice: advice.to_owned(), reseat });
                    return Ok(tries);
                }
                Next::Accept => {
                    if !tries.disputed.is_empty() {
                        if tries.sums_contradict() {
                            self.say("a sum inside the content that held in one pass fails in what was read again");
                            tries.end = Some(End::Decided);
                            return Ok(tries);
                        }
                        tries.settle();
                        self.judge(&mut tries)?;
                    }
                    if tries.wants_short_reads() && self.reached.kernel.is_none() {
                        // The first pass's own clock and command, so that only the length of the reads differs. What they alone
                        // see is not settled by reading at length again.
                        let (clock_hz, order) = (tries.passes[0].clock_hz, Order::Descending);
                        let plan = PassPlan { clock_hz, fast: false, order, chunk: SHORT, digest: false };
                        tries.passes.push(self.read_pass(plan)?);
                        self.judge(&mut tries)?;
                    }
                    tries.end = Some(End::Decided);
                    return Ok(tries);
                }
                Next::Refuse { patience_over: true, advice } => {
                    tries.end = Some(End::Contact { advice: advice.to_owned(), reseat: None });
                    return Ok(tries);
                }
                Next::Refuse { patience_over: false, .. } => {
                    tries.end = Some(End::Decided);
                    return Ok(tries);
                }
            }
        }
    }

    fn plan_of(&self, manner: &Manner, digest: bool) -> PassPlan {
        let most = (self.identity.chip.size / 4).max(SECTOR) / SECTOR * SECTOR;
        PassPlan {
            clock_hz: manner.clock_hz,
            fast: manner.fast,
            order: order_of(manner.order),
            chunk: manner.chunk.clamp(SECTOR, most),
            digest,
        }
    }

    fn read_parts(&mut self, plan: PassPlan, ranges: Vec<Range<u32>>) -> Result<Pass, JobError> {
        let identity = &self.identity;
        run_op(self.reached.link.as_mut(), self.front, "reading parts of the chip", |limits| {
            driver::parts(limits, identity, plan, ranges)
        })
    }

    /// Judges the whole passes; what is known of the fault goes with it when they are not trusted.
    fn judge(&mut self, tries: &mut Tries) -> Result<(), JobError> {
        if tries.passes.len() < 2 {
            return Ok(());
        }
        self.check_no_other_chip(&tries.passes)?;
        let judgement = self.judgement_on(&tries.passes, &tries.parts)?;
        let readings: Vec<Reading<'_>> = tries.passes.iter().filter_map(as_reading).collect();
        let trusted = judgement.verdict == evidence::Verdict::Trusted;
        tries.diagnosis = (!trusted && readings.len() > 1).then(|| evidence::diagnose(&readings, &judgement));
        tries.judgement = Some(judgement);
        Ok(())
    }

    /// A chip that took the place of the one identified answers with an id of its own, again and again; a bad contact does not.
    fn check_no_other_chip(&self, passes: &[Pass]) -> Result<(), JobError> {
        let ids = || passes.iter().flat_map(|pass| &pass.answers).map(|answered| &answered.id);
        let silent = |id: &[u8]| id.iter().all(|byte| *byte == 0xFF) || id.iter().all(|byte| *byte == 0x00);
        let others = || ids().filter(|id| **id != self.identity.chip.id && !silent(id));
        const AGAIN: usize = 3;
        match others().find(|id| others().filter(|other| other == id).count() >= AGAIN) {
            None => Ok(()),
            Some(found) => {
                Err(JobError::OtherChip { expected: self.identity.chip.id_text(), found: nor::chip::id_text(found) })
            }
        }
    }

    /// How often this job has asked for a contact to be reseated since its last capture.
    fn reseated(&self) -> Result<u32, JobError> {
        let entries = self.vault.read_journal(self.journal.job())?.entries;
        let since = entries.iter().rev().take_while(|entry| entry.kind != "captured");
        let asked = since.filter(|entry| entry.kind == "refused" && entry.body["reseat"].is_object()).count();
        Ok(u32::try_from(asked).unwrap_or(u32::MAX))
    }
}

impl Tries {
    /// Whether the last two reads of the disputed sectors agree with each other and, in every such sector, with one whole pass.
    fn are_settled(&self) -> bool {
        let [.., before, last] = self.parts.as_slice() else { return false };
        let (Content::Bytes(before), Content::Bytes(last)) = (&before.content, &last.content) else { return false };
        let places = self.disputed.iter().flat_map(|range| range.clone().step_by(SECTOR as usize));
        before == last && places.zip(last.chunks(SECTOR as usize)).all(|(at, bytes)| self.some_pass_has(at, bytes))
    }

    fn some_pass_has(&self, at: u32, sector: &[u8]) -> bool {
        self.passes.iter().any(|pass| match &pass.content {
            Content::Bytes(bytes) => bytes[at as usize..].starts_with(sector),
            Content::Digests(digests) => digests.get((at / SECTOR) as usize) == evidence::crc32_blocks(sector).first(),
        })
    }

    /// Whether the content is one value all over and was only read at length. That is what every long read looks like when
    /// chip select bounces or a contact opens in the middle of it, while short questions for id and status are still
    /// answered rightly.
    fn wants_short_reads(&self) -> bool {
        let one_value = |pass: &Pass| match &pass.content {
            Content::Bytes(bytes) => bytes.iter().all(|byte| *byte == bytes[0]),
            Content::Digests(_) => false,
        };
        self.passes.iter().all(|pass| pass.chunk > SHORT) && self.passes.iter().any(one_value)
    }

    /// Whether a sum inside a pass's content holds there and fails once the disputed sectors are as they were read again (rule 5).
    fn sums_contradict(&self) -> bool {
        let Some(first) = self.passes.iter().find_map(bytes_of) else { return false };
        let Some(settled) = self.parts.last().and_then(bytes_of) else { return false };
        let mut content = first.to_vec();
        let places = self.disputed.iter().flat_map(|range| range.clone().step_by(SECTOR as usize));
        for (at, sector) in places.zip(settled.chunks(SECTOR as usize)) {
            content[at as usize..at as usize + sector.len()].copy_from_slice(sector);
        }
        let after = sums(&content, &self.disputed);
        let before = self.passes.iter().filter_map(bytes_of).flat_map(|bytes| sums(bytes, &self.disputed));
        before.filter(|sum| sum.ok).any(|sum| !after.contains(&sum))
    }

    /// Puts what the disputed sectors were settled to into every pass.
    fn settle(&mut self) {
        let Some(Content::Bytes(settled)) = self.parts.last().map(|part| part.content.clone()) else { return };
        let places = self.disputed.iter().flat_map(|range| range.clone().step_by(SECTOR as usize));
        for (at, sector) in places.zip(settled.chunks(SECTOR as usize)) {
            self.settled_sectors += 1;
            for pass in &mut self.passes {
                match &mut pass.content {
                    Content::Bytes(bytes) => bytes[at as usize..at as usize + sector.len()].copy_from_slice(sector),
                    Content::Digests(digests) => digests[(at / SECTOR) as usize] = evidence::crc32_blocks(sector)[0],
                }
            }
        }
    }
}

fn sectors_in(ranges: &[Range<u32>]) -> u32 {
    ranges.iter().map(|range| (range.end - range.start).div_ceil(SECTOR)).sum()
}

/// A pass as the diagnosis wants it: bytes, and every read command in its order. None for a pass of digests.
fn as_reading(pass: &Pass) -> Option<Reading<'_>> {
    let mut reading = Reading::of_pass(&as_evidence(pass, &[]))?;
    let Content::Bytes(bytes) = &pass.content else { return None };
    let size = u32::try_from(bytes.len()).ok()?;
    if let Some(conditions) = &mut reading.conditions
        && pass.command < pass.chunk
    {
        let chunks = conditions.list(size);
        let commands = chunks.into_iter().flat_map(|chunk| {
            let ends = chunk.at + chunk.len;
            (chunk.at..ends).step_by(pass.command as usize).map(move |at| Transaction {
                at,
                len: pass.command.min(ends - at),
                ..chunk
            })
        });
        conditions.transactions = Transactions::List(commands.collect());
    }
    // The content's lifetime is the pass's.
    Some(Reading { content: bytes, conditions: reading.conditions })
}

#[cfg(test)]
#[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
mod tests {
    use super::*;

    fn pass(bytes: Vec<u8>) -> Pass {
        let (clock_hz, opcode, order, chunk, command) = (1_000_000, 0x03, Order::Ascending, SECTOR, SECTOR);
        Pass { content: Content::Bytes(bytes), clock_hz, opcode, order, chunk, command, answers: vec![], took_us: 0 }
    }

    /// A read that repeats an error agrees with itself and with the pass that has it too; the sum says who is right.
    #[test]
    fn rule_5_what_was_read_again_does_not_outvote_a_sum_that_holds() {
        let sound = image::scenario::larkspur_main(1, "00:00:5e:00:53:01".parse().expect("an address"));
        let sums = image::explain::stored_sums(&sound);
        let sum = sums.iter().find(|sum| sum.ok == Some(true) && sum.len > 16).expect("the example has sums");
        let at = sum.at as usize + 9;
        let sector = at / SECTOR as usize * SECTOR as usize;
        let mut bad = sound.clone();
        bad[at] ^= 0x20;
        let sector_of = |content: &[u8]| pass(content[sector..sector + SECTOR as usize].to_vec());
        let mut tries = Tries {
            passes: vec![pass(sound.clone()), pass(bad.clone())],
            disputed: vec![sector as u32..sector as u32 + SECTOR],
            parts: vec![sector_of(&bad), sector_of(&bad)],
            ..Tries::default()
        };
        assert!(tries.are_settled() && tries.sums_contradict());
        tries.parts = vec![sector_of(&sound), sector_of(&sound)];
        assert!(tries.are_settled() && !tries.sums_contradict());
    }
}
