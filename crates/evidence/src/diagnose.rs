//! Which contact is bad: how well each fault explains the differences between readings.
//!
//! Three sources of evidence are joined. Damage with a shape, transaction by transaction (`units`); single bits
//! (`scatter`); and, when readings agree, what the judgement says of the chip and its content. Every damaged place gives a
//! share to each fault; the faults' logarithms are added up with a floor, so that one odd place outvotes nothing. The same
//! input gives the same answer on every machine.
//!
//! What a caller must know: a diagnosis names what to try first, and never makes a content trusted; `judge` alone does
//! that. Of two faults at once the one with more damage comes first, and the other often second. The confidences are shares of
//! belief among the faults listed here; they add up to 1 and are not measured probabilities.
//!
//! The decision a reader would question: a tenth of each confidence comes from the mean over the places instead of their
//! product, because places through one bad contact are not independent and a product alone would be too sure.

mod fault;
mod fold;
mod guess;
mod period;
mod scatter;
mod shape;
mod units;
mod windows;

use std::ops::Range;

pub use fault::Fault;

use crate::advice::advice;
use crate::differences::consensus;
use crate::judge::Judgement;
use crate::pass::SECTOR;
use crate::reading::{Reading, Transaction};
use crate::reason::Reason;
use crate::repeat::{Repetition, repetition};
use fault::Weights;
use fold::Fold;
use period::Period;
use scatter::Scattered;
use units::Event;

/// Share of a place that every fault has; one odd place costs a fault about three in its logarithm.
const FLOOR: f64 = 0.03;
/// Places listed for one fault.
const PLACES: usize = 16;

/// What is probably wrong, the most probable first.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// Every fault with its share; thirteen of them, confidences falling.
    pub findings: Vec<Finding>,
    /// Bytes of one read command, guessed from where damage ends, when no transactions were known and readings differ.
    pub guessed_chunk: Option<u32>,
    /// The time between bursts, or a half or a third of it, in bytes of bus time, when they keep one.
    pub period_bytes: Option<f64>,
}

/// One fault as an explanation.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The fault.
    pub fault: Fault,
    /// Its share of belief, 0 to 1.
    pub confidence: f64,
    /// Where it shows, ascending, at most sixteen ranges; empty when it shows nowhere or everywhere alike.
    pub places: Vec<Range<u32>>,
    /// What to do about it, in one sentence that names the contact.
    pub advice: &'static str,
}

impl Diagnosis {
    /// Returns the most probable explanation.
    pub fn first(&self) -> &Finding {
        &self.findings[0]
    }

    fn of(weights: Weights, places: impl Fn(Fault) -> Vec<Range<u32>>) -> Self {
        let mut findings: Vec<_> = Fault::ALL
            .into_iter()
            .map(|fault| Finding { fault, confidence: weights.of(fault), places: places(fault), advice: advice(fault) })
            .collect();
        findings.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
        Self { findings, guessed_chunk: None, period_bytes: None }
    }
}

/// Returns the diagnosis of `readings` that `judgement` was passed on.
///
/// Readings that are empty or of another length than most say nothing and are left out. Bounds: `units` looks at 128
/// transactions of a reading, `scatter` at 1024 sectors; counts that cover everything are in [`crate::differences`].
pub fn diagnose(readings: &[Reading<'_>], judgement: &Judgement) -> Diagnosis {
    let lengths: Vec<usize> = readings.iter().map(|one| one.content.len()).filter(|len| *len > 0).collect();
    if let Some(diagnosis) = of_lengths(readings, &lengths) {
        return diagnosis;
    }
    let usual = lengths
        .iter()
        .copied()
        .max_by_key(|len| (lengths.iter().filter(|other| *other == len).count(), std::cmp::Reverse(*len)));
    let comparable: Vec<&Reading<'_>> = readings.iter().filter(|one| Some(one.content.len()) == usual).collect();
    let contents: Vec<&[u8]> = comparable.iter().map(|reading| reading.content).collect();
    // What the judgement has compared already is not compared again.
    let compared = judgement.agreed_passes > 0 && comparable.len() == readings.len();
    let differing = if compared { judgement.differing.clone() } else { disputed(&contents) };
    if differing.is_empty() {
        return agreeing(contents.first().copied(), judgement);
    }
    let known: Option<Vec<Vec<Transaction>>> = comparable
        .iter()
        .map(|reading| reading.conditions.as_ref().map(|one| one.list(reading.content.len() as u32)))
        .collect();
    let folded = fold::folded(&contents, known.as_deref(), &differing);
    let voted = voted(&contents, &folded, &differing);
    let voted = voted.as_deref();
    let (guessed_chunk, lists) = match known {
        Some(lists) => (None, lists),
        None => {
            let (chunk, list) = guess::transactions(&contents, voted, &differing);
            (Some(chunk), vec![list; contents.len()])
        }
    };
    let clocks: Vec<u32> =
        comparable.iter().map(|reading| reading.conditions.as_ref().map_or(0, |one| one.clock_hz)).collect();
    let mut diagnosis = disagreeing(&contents, voted, &folded, &lists, &clocks, &differing);
    diagnosis.guessed_chunk = guessed_chunk;
    diagnosis
}

fn disputed(contents: &[&[u8]]) -> Vec<Range<u32>> {
    if contents.len() < 2 {
        return Vec::new();
    }
    let compared: Vec<_> = contents.iter().map(|content| crate::PassContent::Bytes(content)).collect();
    let found = crate::compare(&compared, u32::try_from(contents[0].len()).unwrap_or(u32::MAX));
    found.map(|found| found.differing).unwrap_or_default()
}

/// Returns what a length alone says: one file that is another one again and again.
fn of_lengths(readings: &[Reading<'_>], lengths: &[usize]) -> Option<Diagnosis> {
    let (short, long) = (*lengths.iter().min()?, *lengths.iter().max()?);
    if short == long || long % short != 0 {
        return None;
    }
    let with = |len: usize| readings.iter().map(|one| one.content).find(|content| content.len() == len);
    let (short, long) = (with(short)?, with(long)?);
    let again = long.chunks(short.len()).all(|part| part == short);
    again.then(|| {
        let mut weights = Weights::none();
        weights.set(Fault::SizeAlias, 0.95);
        Diagnosis::of(weights.shares(), |fault| {
            (fault == Fault::SizeAlias).then_some(short.len() as u32..long.len() as u32).into_iter().collect()
        })
    })
}

/// Returns what is left to suspect when all readings are equal.
fn agreeing(content: Option<&[u8]>, judgement: &Judgement) -> Diagnosis {
    let mut weights = Weights::none();
    let (mut none, mut doubt) = (1.0, 0.0_f64);
    let mut suspect = |fault, weight: f64| {
        weights.set(fault, weight);
        doubt = doubt.max(weight);
    };
    for reason in &judgement.reasons {
        match reason {
            Reason::NoId { .. } => {
                suspect(Fault::OpenDataOut, 0.7);
                suspect(Fault::SupplySag, 0.2);
            }
            Reason::TablesWrong { .. } => {
                suspect(Fault::AddressError, 0.4);
                suspect(Fault::LateSampling, 0.15);
            }
            Reason::ChipChanged { .. } => {
                suspect(Fault::SupplySag, 0.3);
                suspect(Fault::WeakDataOut, 0.2);
            }
            Reason::LooksShifted { .. } => suspect(Fault::ConstantShift, 0.95),
            Reason::Undescribed { maker_known: false, .. } => suspect(Fault::ConstantShift, 0.4),
            Reason::RepeatsUnsupported { how, .. } => match how {
                Repetition::Uniform { byte: 0x00 | 0xFF } => suspect(Fault::OpenDataOut, 0.6),
                Repetition::Uniform { .. } | Repetition::Pattern { .. } => suspect(Fault::OpenDataOut, 0.3),
                Repetition::Doubled { .. } => suspect(Fault::SizeAlias, 0.8),
                Repetition::DeadLine { .. } => suspect(Fault::AddressError, 0.8),
            },
            _ => {}
        }
    }
    none -= doubt;
    weights.set(Fault::None, none.max(0.02));
    let all = content.map_or(0, |content| content.len() as u32);
    let repeated = content.and_then(repetition).and_then(|how| match how {
        Repetition::Doubled { period } => Some(period..all),
        _ => None,
    });
    Diagnosis::of(weights.shares(), |fault| {
        repeated.clone().filter(|_| fault == Fault::SizeAlias).into_iter().collect()
    })
}

/// Returns what most of the contents say, folded ones left out; `None` when two are left that contradict each other.
fn voted(contents: &[&[u8]], folded: &[Option<Fold>], disputed: &[Range<u32>]) -> Option<Vec<u8>> {
    let voters: Vec<&[u8]> =
        contents.iter().zip(folded).filter(|(_, folded)| folded.is_none()).map(|(one, _)| *one).collect();
    if voters.len() == 2 && contents.len() == 2 {
        return None;
    }
    let mut voted = voters[0].to_vec();
    for from in disputed.iter().flat_map(|range| (range.start as usize..range.end as usize).step_by(SECTOR)) {
        let sector = consensus(&voters, from / SECTOR);
        voted[from..from + sector.len()].copy_from_slice(&sector);
    }
    Some(voted)
}

fn disagreeing(
    contents: &[&[u8]],
    voted: Option<&[u8]>,
    folded: &[Option<Fold>],
    lists: &[Vec<Transaction>],
    clocks: &[u32],
    disputed: &[Range<u32>],
) -> Diagnosis {
    let mut events: Vec<Event> = Vec::new();
    let mut explained: Vec<Vec<Range<usize>>> = Vec::new();
    for own in 0..contents.len() {
        let mut found = units::events(contents, voted, own, &lists[own], disputed);
        if let Some(fold) = &folded[own] {
            let right = voted.unwrap_or(contents[own]);
            let again = |range: &Range<usize>| fold::is_again(contents[own], range, fold.reach, right);
            found.events.retain(|event| !event.ranges.iter().all(again));
            let sags = found.events.iter().filter(|event| event.weights.of(Fault::SupplySag) > 0.3);
            let sags = sags.flat_map(|event| &event.ranges).map(|range| range.start);
            let sagged = fold.comes_after(sags, &lists[own]);
            let weights = fold.weights(sagged);
            let sectors = disputed.iter().flat_map(|range| (range.start as usize..range.end as usize).step_by(SECTOR));
            let ranges: Vec<Range<usize>> =
                sectors.map(|from| from..(from + SECTOR).min(contents[own].len())).filter(again).collect();
            found.explained.extend(ranges.iter().cloned());
            // However many transactions it shows in, it is one thing that happened; so it counts as a few.
            found.events.push(Event { reading: own, ranges, weights, starts: None, plain: true, count: 4.0 });
        }
        events.extend(found.events);
        explained.push(found.explained);
    }
    if contents.len() == 2 {
        drop_echoes(&mut events);
    }
    let scattered = scatter::scattered(contents, voted, disputed, &explained);
    let regular = regular(contents, voted, lists, disputed, &events);
    let in_time = regular.filter(|found| found.weight > 3.0);
    if let Some(found) = in_time {
        // What keeps time beyond doubt is no chance row of contacts that let go, wherever each of them begins and ends.
        let beyond_doubt = found.weight > 8.0;
        let rests = [Fault::OpenDataOut, Fault::SelectBounce, Fault::SupplySag, Fault::WeakDataOut];
        let own = |event: &Event| {
            event.weights.of(Fault::BusContention) > 0.02 || beyond_doubt && rests.contains(&event.weights.best())
        };
        for event in events.iter_mut().filter(|event| own(event)) {
            event.weights.set(Fault::BusContention, found.weight.min(10.0));
            event.weights = event.weights.shares();
        }
        let mut weights = Weights::none();
        weights.set(Fault::BusContention, 1.0);
        let count = (found.weight / 8.0).min(3.0);
        events.push(Event {
            reading: 0,
            ranges: Vec::new(),
            weights: weights.shares(),
            starts: None,
            plain: true,
            count,
        });
    }
    let sectors = disputed.iter().map(|range| (range.len()).div_ceil(SECTOR)).sum();
    let loose = scatter::weigh(&scattered, voted.unwrap_or(contents[0]), sectors, clocks, regular);
    let bursts: usize = scattered.iter().map(|one| one.bursts().count()).sum();
    // Beside damage with a shape, a few loose bits are what that shape left unexplained.
    let shaped: usize = events.iter().flat_map(|event| &event.ranges).map(|range| 4 * range.len()).sum();
    let bits: usize = scattered.iter().map(Scattered::bits).sum();
    let share = bits as f64 / (bits + shaped).max(1) as f64;
    let weights = join(&events, loose, (bursts as f64 / 3.0).clamp(1.0, 8.0) * share);
    let mut diagnosis = Diagnosis::of(weights, |fault| places(fault, &events, loose, &scattered, contents[0].len()));
    diagnosis.period_bytes = in_time.map(|found| found.bytes);
    diagnosis
}

/// Two readings that differ give an event each for one place; the one that explains less is the echo.
fn drop_echoes(events: &mut Vec<Event>) {
    let overlap =
        |a: &Event, b: &Event| a.ranges.iter().any(|a| b.ranges.iter().any(|b| a.start < b.end && b.start < a.end));
    // Data that is nowhere to be found is worth least, data from elsewhere may be there by nature.
    let rank = |event: &Event| match event.plain {
        false => 0,
        true if event.weights.of(Fault::AddressError) + event.weights.of(Fault::SizeAlias) > 0.8 => 1,
        true => 2,
    };
    let all = events.clone();
    events.retain(|event| {
        let better = |one: &Event| one.reading != event.reading && rank(one) > rank(event) && overlap(one, event);
        rank(event) == 2 || !all.iter().any(better)
    });
}

/// Looks for a period among the places at which readings differ, in the time of each of them.
fn regular(
    contents: &[&[u8]],
    voted: Option<&[u8]>,
    lists: &[Vec<Transaction>],
    disputed: &[Range<u32>],
    events: &[Event],
) -> Option<Period> {
    let best = lists.iter().enumerate().flat_map(|(own, list)| {
        let times = bus_times(list);
        let reference = voted.unwrap_or(contents[usize::from(own == 0)]);
        let bursts = bursts(contents[own], reference, &times, disputed);
        // Single wrong bits in between hide the times of stretches that rest.
        let rests = events.iter().filter(|event| event.reading == own && event.plain);
        let rests = rests.filter(|event| event.weights.of(Fault::BusContention) > 0.02 && event.starts.is_some());
        let mut rests: Vec<Range<u64>> = rests
            .filter_map(|event| {
                let (range, (transaction, byte)) = (event.ranges.first()?, event.starts?);
                let begins = times.get(transaction)?.1 + byte as u64;
                Some(begins..begins + range.len() as u64)
            })
            .collect();
        rests.sort_by_key(|rest| rest.start);
        [bursts, rests].into_iter().filter_map(|bursts| period::period(&bursts))
    });
    let content = voted.unwrap_or(contents[0]);
    best.filter(|found| !comes_again(content, found.bytes)).max_by(|a, b| a.weight.total_cmp(&b.weight))
}

/// Returns each transaction's bytes, oldest first, and the bytes that had crossed the wires before them, commands included.
fn bus_times(list: &[Transaction]) -> Vec<(Range<usize>, u64)> {
    // Opcode and three address bytes; a fourth or a dummy byte moves bursts by less than their own length.
    const COMMAND: u64 = 4;
    let mut time = 0;
    list.iter()
        .map(|one| {
            let begins = time + COMMAND;
            time = begins + u64::from(one.len);
            (one.at as usize..(one.at + one.len) as usize, begins)
        })
        .collect()
}

/// Returns where `own` differs from `reference`, in bytes of bus time; but for what begins with its transaction.
fn bursts(own: &[u8], reference: &[u8], times: &[(Range<usize>, u64)], disputed: &[Range<u32>]) -> Vec<Range<u64>> {
    /// More than `period` looks at.
    const MOST: usize = 1024;
    let mut bursts: Vec<Range<u64>> = Vec::new();
    for (bounds, begins) in times {
        let next = disputed.partition_point(|range| range.end as usize <= bounds.start);
        if disputed.get(next).is_none_or(|range| range.start as usize >= bounds.end) {
            continue;
        }
        let mut burst: Option<Range<u64>> = None;
        let mut close = |burst: Option<Range<u64>>| bursts.extend(burst.filter(|burst| burst.start > *begins));
        for at in bounds.clone().filter(|at| own[*at] != reference[*at]) {
            let at = begins + (at - bounds.start) as u64;
            match &mut burst {
                Some(burst) if at < burst.end + period::APART => burst.end = at + 1,
                _ => close(burst.replace(at..at + 1)),
            }
        }
        close(burst);
        if bursts.len() > MOST {
            break;
        }
    }
    bursts
}

/// Returns whether `content` itself comes again at distances that make up `bytes`.
///
/// What can be seen to be damaged then comes at regular places, too, whenever the damage itself comes.
fn comes_again(content: &[u8], bytes: f64) -> bool {
    let step = (content.len() / 4096).max(1) | 1;
    let units = (7..16).map(|bit| 1_usize << bit).filter(|unit| unit * 2 <= content.len());
    let is_data = |at: usize| !matches!(content[at], 0x00 | 0xFF);
    let again = units.filter(|unit| {
        let places = (0..content.len() - unit).step_by(step);
        let data: Vec<usize> = places.filter(|at| is_data(*at)).collect();
        let share = |hits: usize| hits as f64 / data.len() as f64;
        let same = share(data.iter().filter(|at| content[**at] == content[**at + unit]).count());
        // Data stands beside data anyway; only a distance better than a shorter one is a period.
        let at_distance = |distance: usize| share(data.iter().filter(|at| is_data(**at + distance)).count());
        data.len() >= 16
            && (same > 0.6 || at_distance(*unit) > 0.6 && at_distance(*unit) > 1.5 * at_distance(unit * 5 / 8))
    });
    let near = |ratio: f64| ratio >= 0.85 && (ratio - ratio.round()).abs() < 0.15;
    again.into_iter().any(|unit| near(bytes / unit as f64) || (unit as f64 / bytes < 4.5 && near(unit as f64 / bytes)))
}

fn join(events: &[Event], loose: Option<Weights>, loose_count: f64) -> Weights {
    let mut all: Vec<(Weights, f64)> = events.iter().map(|event| (event.weights, event.count)).collect();
    // Differences that nothing explains leave every fault as likely as the next.
    all.push((Weights::even(), 0.05));
    // Loose bits say at most as much as eight damaged transactions.
    all.extend(loose.map(|weights| (weights, loose_count)));
    let total: f64 = all.iter().map(|(_, count)| count).sum();
    let mut logs = [0.0; Fault::ALL.len()];
    let mut mixed = Weights::none();
    let mean = |fault: Fault| all.iter().map(|(weights, count)| weights.of(fault) * count).sum::<f64>() / total;
    for fault in Fault::ALL {
        logs[fault as usize] = all.iter().map(|(weights, count)| count * (weights.of(fault) + FLOOR).ln()).sum();
    }
    let product = Weights::from_logs(logs);
    for fault in Fault::ALL {
        mixed.set(fault, 0.9 * product.of(fault) + 0.1 * mean(fault));
    }
    mixed
}

/// Returns where `fault` is the best explanation, neighbours joined.
fn places(
    fault: Fault,
    events: &[Event],
    loose: Option<Weights>,
    scattered: &[Scattered],
    size: usize,
) -> Vec<Range<u32>> {
    let best = |weights: Weights| weights.best() == fault;
    let mut ranges: Vec<Range<u32>> = events
        .iter()
        .filter(|event| best(event.weights))
        .flat_map(|event| event.ranges.iter().map(|range| range.start as u32..range.end as u32))
        .collect();
    if loose.is_some_and(best) {
        let sector = |at: usize| (at / SECTOR * SECTOR) as u32..((at / SECTOR + 1) * SECTOR).min(size) as u32;
        ranges.extend(scattered.iter().flat_map(Scattered::bursts).map(|burst| sector(burst.start)));
    }
    ranges.sort_by_key(|range| (range.start, range.end));
    let mut joined: Vec<Range<u32>> = Vec::new();
    for range in ranges {
        match joined.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => joined.push(range),
        }
    }
    joined.truncate(PLACES);
    joined
}

#[cfg(test)]
mod tests;
