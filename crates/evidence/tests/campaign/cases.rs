//! Cases: what a seed draws, how it is read, and what came out.

use evidence::{
    BareFile, ChipAnswer, Declared, Fault, FileIdentity, Order, Pass, PassContent, Reading, Verdict, diagnose, judge,
    judge_files, plot,
};

use super::stream::{Kind, Stream, content};
use super::wires::{ID, Ill, Plan, Wires};

/// What a seed drew.
#[derive(Debug)]
pub struct Case {
    pub seed: u64,
    pub faults: Vec<Fault>,
    kind: Kind,
    size: usize,
    passes: Vec<Manner>,
    ills: Vec<Ill>,
}

/// What judge and diagnosis made of it.
#[derive(Debug)]
pub struct Outcome {
    pub accepted_wrong: bool,
    /// Every read is what the chip holds.
    pub all_right: bool,
    /// Every read is the same wrong one.
    pub repeats_alike: bool,
    /// The fault named first, where readings differ.
    pub named: Option<Fault>,
    shares: Vec<(Fault, f64)>,
    pub differing_bits: u64,
    #[expect(dead_code, reason = "it is there to be printed when a case is repeated")]
    reasons: Vec<String>,
    guessed_chunk: Option<u32>,
}

#[derive(Debug, Clone, Copy)]
struct Manner {
    clock_hz: u32,
    opcode: u8,
    order: Order,
    chunk: u32,
    /// Whether the fault acts in this pass.
    ill: bool,
}

fn draw(seed: u64, bare: bool) -> Case {
    let mut draw = Stream::new(seed, 1);
    let kind = draw.pick(&[Kind::Structured, Kind::Structured, Kind::MostlyBlank, Kind::Random, Kind::Repeated]);
    let size = 1 << (16 + draw.below(2));
    let first = Fault::ALL[draw.below(12) as usize];
    let mut faults = vec![first];
    if draw.chance(0.2) {
        faults.push(Fault::ALL[draw.below(12) as usize]);
        faults.dedup();
    }
    let count = draw.pick(&[2, 3, 3, 3, 4, 5]);
    // A read of a small chip in one command leaves no other transaction to compare with; real ones are rarely so read.
    let chunks: Vec<u32> =
        [256, 1024, 4096, 4096, 8192, 16384].into_iter().filter(|chunk| *chunk * 16 <= size as u32).collect();
    let chunk = draw.pick(&chunks);
    let always = draw.chance(0.6);
    let mut passes: Vec<Manner> = (0..count)
        .map(|number| {
            let turned = !bare && number % 2 == 1;
            Manner {
                clock_hz: if bare { 8_000_000 } else { 12_000_000 - 2_000_000 * number },
                opcode: if turned { 0x0B } else { 0x03 },
                order: if turned { Order::Descending } else { Order::Ascending },
                chunk: if !bare && draw.chance(0.3) { draw.pick(&chunks) } else { chunk },
                ill: always || draw.chance(0.5),
            }
        })
        .collect();
    if !passes.iter().any(|pass| pass.ill) {
        passes[0].ill = true;
    }
    let by_clock = |fault: &Fault| matches!(fault, Fault::ConstantShift | Fault::SizeAlias);
    if faults.iter().any(by_clock) && draw.chance(0.9) {
        // The same in all passes it would be no difference but a property.
        for (number, pass) in passes.iter_mut().enumerate() {
            pass.ill = number < 1 + count as usize / 3;
        }
    }
    let ills = faults.iter().map(|fault| ill(*fault, &mut draw, size)).collect();
    Case { seed, faults, kind, size, passes, ills }
}

fn ill(fault: Fault, draw: &mut Stream, size: usize) -> Ill {
    let events = match fault {
        Fault::OpenDataOut => draw.spread(1.0, 4.0),
        Fault::SupplySag => 1.0,
        Fault::WeakDataOut | Fault::Noise => draw.spread(6.0, 2000.0),
        Fault::LateSampling => draw.spread(20.0, 5000.0),
        _ => draw.spread(1.5, 30.0),
    };
    // Another master that polls something does so some hundred times while a whole chip is read.
    let period = size as f64 * 8.0 / draw.spread(60.0, 300.0);
    let bit = draw.below(size.trailing_zeros().into()) as u32;
    Ill { fault, events, pull: draw.chance(0.6), variant: draw.below(1 << 20), period, bit }
}

/// What a pass brought: the bytes, and the chip's answers before, between and after.
struct Brought {
    bytes: Vec<u8>,
    answers: [ChipAnswer; 3],
}

fn read(case: &Case, chip: &[u8], number: usize) -> Brought {
    let manner = case.passes[number];
    let list = chunks(manner, chip.len() as u32);
    let plan = Plan { clocks: chip.len() as u64 * 8, transactions: list.len() as u64 };
    let ills: &[Ill] = if manner.ill { &case.ills } else { &[] };
    // Times of a second master and rates per second grow apart from the clock; half the clock sees twice the bursts.
    let slower = 12e6 / f64::from(manner.clock_hz);
    let ills: Vec<Ill> = ills
        .iter()
        .map(|ill| {
            let late = ill.fault == Fault::LateSampling;
            let events = if late { ill.events / slower.powi(3) } else { ill.events };
            Ill { events, period: ill.period / slower, ..ill.clone() }
        })
        .collect();
    let mut wires = Wires::new(chip, &ills, case.seed ^ (number as u64) << 40, &plan);
    let before = answer(&mut wires, manner.clock_hz);
    let mut between = before.clone();
    let mut bytes = vec![0; chip.len()];
    for (index, (at, len)) in list.iter().enumerate() {
        let mut command = vec![manner.opcode];
        command.extend(&at.to_be_bytes()[1..]);
        command.extend((manner.opcode == 0x0B).then_some(0));
        bytes[*at as usize..(at + len) as usize].copy_from_slice(&wires.transaction(&command, *len as usize));
        if index == list.len() / 2 {
            between = answer(&mut wires, manner.clock_hz);
        }
    }
    let after = answer(&mut wires, manner.clock_hz);
    Brought { bytes, answers: [before, between, after] }
}

fn answer(wires: &mut Wires<'_>, clock_hz: u32) -> ChipAnswer {
    let id = wires.transaction(&[0x9F], 3);
    let status = wires.transaction(&[0x05], 1);
    let tables_ok = Some(wires.transaction(&[0x5A, 0, 0, 0, 0], 8).starts_with(b"SFDP"));
    ChipAnswer { id, unique_id: None, status, tables_ok, clock_hz }
}

fn chunks(manner: Manner, size: u32) -> Vec<(u32, u32)> {
    let mut list: Vec<_> =
        (0..size).step_by(manner.chunk as usize).map(|at| (at, manner.chunk.min(size - at))).collect();
    if manner.order == Order::Descending {
        list.reverse();
    }
    list
}

fn as_passes<'a>(case: &Case, brought: &'a [Brought]) -> Vec<Pass<'a>> {
    case.passes
        .iter()
        .zip(brought)
        .map(|(manner, brought)| {
            let [before, between, after] = brought.answers.clone();
            Pass {
                content: PassContent::Bytes(&brought.bytes),
                clock_hz: manner.clock_hz,
                opcode: manner.opcode,
                order: manner.order,
                chunk: manner.chunk,
                before,
                between: vec![between],
                after,
            }
        })
        .collect()
}

fn declared(size: usize) -> Declared<'static> {
    let size = size as u32;
    Declared { size, catalogue_size: Some(size), table_size: Some(size), maker_known: true, known_content: None }
}

fn outcome(readings: &[Reading<'_>], judgement: &evidence::Judgement, accepted: bool, chip: &[u8]) -> Outcome {
    let diagnosis = diagnose(readings, judgement);
    let total: f64 = diagnosis.findings.iter().map(|one| one.confidence).sum();
    assert!((total - 1.0).abs() < 1e-6, "confidences add up to {total}");
    let alike = readings.iter().all(|one| one.content == readings[0].content);
    Outcome {
        accepted_wrong: accepted && readings.iter().any(|one| one.content != chip),
        all_right: readings.iter().all(|one| one.content == chip),
        repeats_alike: alike,
        named: (!alike).then_some(diagnosis.first().fault),
        shares: diagnosis.findings.iter().take(4).map(|one| (one.fault, one.confidence)).collect(),
        differing_bits: judgement.differing_bits,
        reasons: judgement.reasons.iter().map(ToString::to_string).collect(),
        guessed_chunk: diagnosis.guessed_chunk,
    }
}

/// Returns a case of passes with everything that is known of them.
pub fn known_case(seed: u64) -> (Case, Outcome) {
    let case = draw(seed, false);
    let chip = content(case.kind, seed, case.size);
    let brought: Vec<Brought> = (0..case.passes.len()).map(|number| read(&case, &chip, number)).collect();
    let passes = as_passes(&case, &brought);
    // A smaller chip's own tables say how small it is; one that lost its address mode is folded in some passes only.
    let alias = case.ills.iter().find(|ill| ill.fault == Fault::SizeAlias);
    let always = case.passes.iter().all(|pass| pass.ill);
    let table_size = alias.filter(|_| always).map_or(case.size, |ill| case.size >> (1 + ill.variant % 2));
    let declared = Declared { table_size: Some(table_size as u32), ..declared(case.size) };
    let judgement = judge(&passes, &declared);
    let readings: Vec<Reading<'_>> = passes.iter().filter_map(Reading::of_pass).collect();
    let mut outcome = outcome(&readings, &judgement, judgement.accepted, &chip);
    // Passes have id, tables and different orders to go by: nothing may repeat unseen.
    outcome.repeats_alike &= !outcome.accepted_wrong;
    (case, outcome)
}

/// Returns a case of files of which nothing but their bytes is known.
pub fn bare_case(seed: u64) -> (Case, Outcome) {
    let case = draw(seed, true);
    let chip = content(case.kind, seed, case.size);
    let brought: Vec<Brought> = (0..case.passes.len()).map(|number| read(&case, &chip, number)).collect();
    let file = |(number, brought): (usize, &'_ Brought)| -> (usize, FileIdentity) {
        assert_eq!(brought.bytes.len(), case.size);
        (number, FileIdentity { device: 1, inode: number as u64 })
    };
    let files: Vec<BareFile<'_>> = brought
        .iter()
        .enumerate()
        .map(file)
        .map(|(number, identity)| BareFile { content: &brought[number].bytes, identity })
        .collect();
    let judgement = judge_files(&files);
    let readings: Vec<Reading<'_>> = files.iter().map(|file| Reading::bare(file.content)).collect();
    let trusted = judgement.verdict == Verdict::Trusted;
    let outcome = outcome(&readings, &judgement, trusted, &chip);
    (case, outcome)
}

/// Returns whether passes and files through good contacts are accepted.
pub fn good_case(seed: u64) -> bool {
    let mut case = draw(seed, false);
    case.passes.iter_mut().for_each(|pass| pass.ill = false);
    let chip = content(case.kind, seed, case.size);
    let brought: Vec<Brought> = (0..2).map(|number| read(&case, &chip, number)).collect();
    assert!(brought.iter().all(|one| one.bytes == chip && one.answers.iter().all(|answer| answer.id == ID)));
    case.passes.truncate(2);
    let judgement = judge(&as_passes(&case, &brought), &declared(case.size));
    let files = [0, 1].map(|number| BareFile {
        content: &brought[number].bytes,
        identity: FileIdentity { device: 1, inode: number as u64 },
    });
    judgement.accepted && judge_files(&files).verdict == Verdict::Trusted
}

impl Outcome {
    /// Returns what a missed case looked like.
    pub fn line(&self, case: &Case) -> String {
        let shares: Vec<String> = self.shares.iter().map(|(fault, share)| format!("{fault} {share:.2}")).collect();
        format!(
            "{:?} {} bytes, {} passes, {} bits; {}{}",
            case.kind,
            case.size,
            case.passes.len(),
            self.differing_bits,
            shares.join(", "),
            self.guessed_chunk
                .map(|chunk| format!("; chunk {chunk} guessed, {} true", case.passes[0].chunk))
                .unwrap_or_default()
        )
    }
}

/// Returns the picture of one fault in one of three passes over a structured chip.
pub fn picture(fault: Fault) -> String {
    let mut draw = Stream::new(fault as u64, 9);
    let size = 1 << 17;
    let good = Manner { clock_hz: 12_000_000, opcode: 0x03, order: Order::Ascending, chunk: 1 << 12, ill: false };
    let passes = vec![good, Manner { ill: true, clock_hz: 10_000_000, ..good }, Manner { clock_hz: 8_000_000, ..good }];
    let ills = vec![ill(fault, &mut draw, size)];
    let case = Case { seed: 5, faults: vec![fault], kind: Kind::Structured, size, passes, ills };
    let chip = content(case.kind, 5, size);
    let brought: Vec<Brought> = (0..3)
        .map(|number| match case.passes[number].ill {
            true => read(&case, &chip, number),
            // Through good contacts comes what is there; that is for `good_case` to show.
            false => Brought { bytes: chip.clone(), answers: [0; 3].map(|_| healthy(case.passes[number].clock_hz)) },
        })
        .collect();
    let passes = as_passes(&case, &brought);
    let readings: Vec<Reading<'_>> = passes.iter().filter_map(Reading::of_pass).collect();
    let diagnosis = diagnose(&readings, &judge(&passes, &declared(size)));
    let names = ["pass 1, 12 MHz", "pass 2, 10 MHz", "pass 3, 8 MHz"];
    plot(&format!("{fault} in pass 2 of 3"), &names, &readings, &diagnosis.first().places)
        .expect("three readings of one length")
}

fn healthy(clock_hz: u32) -> ChipAnswer {
    ChipAnswer { id: ID.to_vec(), unique_id: None, status: vec![0], tables_ok: Some(true), clock_hz }
}
