//! A seed from its first command to its last check.

use std::cell::{Cell, RefCell};
use std::collections::HashMap;
use std::fs;
use std::io;
use std::rc::Rc;

use crate::aim::{Armed, Rehearsal, arm};
use crate::between::{Damaged, damage_journal, damage_object};
use crate::canary::Canary;
use crate::check::{Ended, as_found};
use crate::chips::{bytes, hex};
use crate::command::{End, Run};
use crate::content::{self, Look};
use crate::draw::Draw;
use crate::eyes::{Store, blake3_hex, journals};
use crate::faults::{KINDS, Kind};
use crate::outcome::Outcome;
use crate::rules::Rules;
use crate::scenario::{Act, Command, Scenario};
use crate::stage::Stage;
use crate::watch::Watch;

/// How often a command is run again after its faults have ended. The first time has to do; the second shows that what
/// was refused stays refused.
const AGAIN: usize = 2;

/// Plays `seed`, on a build that is broken by `canary` when one is given.
///
/// # Errors
/// Whatever the file system says of the campaign's own files.
pub fn play(seed: u64, canary: Option<Canary>) -> io::Result<Outcome> {
    let scenario = Scenario::draw(seed);
    let stage = Stage::set(&scenario)?;
    let mut play = Play {
        chip: Chip { first: scenario.first.clone(), captured: false },
        scenario: &scenario,
        stage: &stage,
        canary,
        clock: Rc::new(Cell::new(15 * 86_400)),
        retired: Vec::new(),
        damaged: None,
        bent: false,
        half_done: false,
        left_by_another: false,
        outcome: Outcome { seed, ..Outcome::default() },
    };
    play.tell(&format!(
        "chip {} first {} protected {} pin {}/{} link {}",
        scenario.chip.toml.replace('\n', " "),
        &blake3_hex(&scenario.first)[..16],
        scenario.protected,
        scenario.pin_low,
        scenario.pin_counts,
        scenario.link.replace('\n', " ")
    ));
    for (number, act) in scenario.acts.iter().enumerate() {
        play.act(number, act)?;
        if !play.outcome.findings.is_empty() {
            break;
        }
    }
    if play.outcome.findings.is_empty() {
        play.end()?;
    }
    Ok(play.outcome)
}

struct Play<'a> {
    scenario: &'a Scenario,
    stage: &'a Stage,
    canary: Option<Canary>,
    clock: Rc<Cell<u64>>,
    chip: Chip,
    /// First contents of chips that were taken away after they had been captured.
    retired: Vec<Vec<u8>>,
    damaged: Option<Damaged>,
    /// Whether a fault came that bends what is sent, status writes included.
    bent: bool,
    /// Whether a write was begun and not ended.
    half_done: bool,
    /// Whether it was when the act began.
    left_by_another: bool,
    outcome: Outcome,
}

/// The chip that is there now.
struct Chip {
    first: Vec<u8>,
    /// Whether a journal says that its first content is captured.
    captured: bool,
}

impl Play<'_> {
    fn tell(&mut self, line: &str) {
        self.outcome.trace.push_str(&self.stage.plain(line));
        self.outcome.trace.push('\n');
    }

    fn act(&mut self, number: usize, act: &Act) -> io::Result<()> {
        let mut draw = Draw::new(self.scenario.seed, &format!("faults of act {number}"));
        for kind in act.faults.iter().filter(|kind| kind.is_between()) {
            self.between(*kind, number, &mut draw)?;
        }
        let base = self.stage.content()?;
        // A bent status write may leave bits that nothing is allowed to touch: where protection is lifted, lines stay good.
        let lifts = self.scenario.protected != "none" || self.scenario.chip.comes_up_protected;
        let fits = |kind: &Kind| !(kind.is_between() || kind.bends_writes() && lifts);
        let aimed: Vec<Kind> = act.faults.iter().copied().filter(fits).collect();
        let bent = aimed.iter().any(|kind| kind.bends_writes());
        let armed = self.aim(act.command, &aimed, &mut draw)?;
        let disturbed = !armed.is_empty() || self.damaged.is_some();
        // What a bent write did to the rest of the chip is not to be known while a part is written.
        self.left_by_another = self.half_done || bent;
        self.bent |= bent;
        self.run(act.command, &armed, &base, !disturbed)?;
        if !disturbed {
            return Ok(());
        }
        self.mend()?;
        for _ in 0..AGAIN {
            if !self.outcome.findings.is_empty() {
                return Ok(());
            }
            if let End::Done(_) = self.run(act.command, &[], &base, true)? {
                break;
            }
        }
        Ok(())
    }

    /// Does to the files what happens between two commands.
    fn between(&mut self, kind: Kind, number: usize, draw: &mut Draw) -> io::Result<()> {
        let bench = self.stage.bench();
        let came = match kind {
            Kind::ClockBack => {
                let now = self.clock.get();
                let back = 1 + draw.below(3 * 86_400);
                self.clock.set(now.saturating_sub(back).max(86_400));
                bench.is_dir()
            }
            Kind::ChipReplaced => {
                let look = if self.scenario.chip.size > 1 << 20 || self.scenario.chip.words {
                    Look::Islands
                } else {
                    Look::Structured
                };
                let content = content::make(look, self.chip.first.len(), draw);
                self.stage.put_chip(&content)?;
                let gone = std::mem::replace(&mut self.chip, Chip { first: content, captured: false });
                self.retired.extend(gone.captured.then_some(gone.first));
                true
            }
            _ if self.damaged.is_some() => false,
            Kind::ObjectDamaged | Kind::JournalDamaged => {
                let damaged = match kind {
                    Kind::ObjectDamaged => damage_object(&bench, draw)?,
                    _ => damage_journal(&bench, draw)?,
                };
                if let Some(damaged) = &damaged {
                    self.tell(&format!("  damaged: {}", damaged.name()));
                }
                self.damaged = damaged;
                self.damaged.is_some()
            }
            _ => false,
        };
        if came {
            self.tell(&format!("  before act {number}: {}", kind.name()));
            *self.outcome.fired.entry(kind).or_default() += 1;
        }
        Ok(())
    }

    /// Rehearses the command without faults, brings everything back, and aims.
    fn aim(&mut self, command: Command, kinds: &[Kind], draw: &mut Draw) -> io::Result<Vec<Armed>> {
        if kinds.is_empty() {
            return Ok(Vec::new());
        }
        self.stage.remember()?;
        let time = self.clock.get();
        let watch = self.watch(None)?;
        self.stage.write_bench_file("")?;
        let disk = vault::faults::Faults::none();
        self.in_process(command, &watch, &disk);
        let rehearsal = Rehearsal::of(&watch.borrow(), disk.trace().len() as u64);
        self.stage.go_back()?;
        self.clock.set(time);
        let size = self.scenario.chip.size;
        // A fault that has nothing to hit in this command gives way to another.
        let mut armed = Vec::new();
        for kind in kinds {
            let others =
                (0..4).map(|_| draw.weighted(&KINDS)).filter(|kind| !kind.is_between() && !kind.bends_writes());
            let all: Vec<Kind> = [*kind].into_iter().chain(others.collect::<Vec<_>>()).collect();
            armed.extend(all.into_iter().find_map(|kind| arm(kind, &rehearsal, size, draw)));
        }
        Ok(armed)
    }

    fn in_process(&self, command: Command, watch: &Rc<RefCell<Watch>>, disk: &vault::faults::Faults) -> End {
        let run = Run {
            scenario: self.scenario,
            stage: self.stage,
            canary: self.canary,
            clock: Rc::clone(&self.clock),
            first: blake3_hex(&self.chip.first),
        };
        run.command(command, watch, disk)
    }

    fn watch(&self, stuck: Option<crate::rules::Stuck>) -> io::Result<Rc<RefCell<Watch>>> {
        let known = journals(&self.stage.bench())?.into_iter().map(|log| (log.job, log.entries.len())).collect();
        let chip_id = bytes(self.stage.id());
        let rules = Rules {
            bench: self.stage.bench(),
            content: self.stage.content_path(),
            identified: chip_id.clone(),
            chip_id,
            chip_size: self.scenario.chip.size,
            first: self.chip.first.clone(),
            as_found: self.stage.as_found(),
            comes_up_protected: self.scenario.chip.comes_up_protected,
            stuck,
            known,
            store_is_damaged: self.damaged.is_some(),
            asked: (false, false),
        };
        Ok(Rc::new(RefCell::new(Watch::new(rules, self.canary))))
    }

    /// Runs a command with what is armed, looks at everything, and tells how it ended. `base` is what the chip held when
    /// the act began; `quiet` says that nothing may disturb the command.
    fn run(&mut self, command: Command, armed: &[Armed], base: &[u8], quiet: bool) -> io::Result<End> {
        let toml: String = armed.iter().map(|armed| armed.toml.as_str()).collect();
        self.stage.write_bench_file(&toml)?;
        let stuck = armed.iter().find_map(|armed| armed.stuck);
        let before = self.stage.content()?;
        let known: HashMap<String, usize> =
            journals(&self.stage.bench())?.into_iter().map(|log| (log.job, log.entries.len())).collect();
        let watch = self.watch(stuck)?;
        {
            let mut watch = watch.borrow_mut();
            watch.kill_at = armed.iter().find_map(|armed| armed.kill_at);
            watch.stop_at = armed.iter().find_map(|armed| armed.stop_at);
        }
        if self.canary == Some(Canary::EarlyClaim) && command.writes() {
            self.claim_early()?;
        }
        let bench = self.stage.bench();
        let plan = armed.iter().find_map(|armed| armed.disk);
        let disk = plan.map_or_else(vault::faults::Faults::none, vault::faults::Faults::by);
        if plan.is_some_and(|plan| {
            matches!(plan.failure, vault::faults::Failure::Killed | vault::faults::Failure::PowerCut)
        }) {
            let disk = disk.clone();
            watch.borrow_mut().is_dead = Box::new(move || disk.struck());
        }
        let end = self.in_process(command, &watch, &disk);
        if self.canary == Some(Canary::WritesAndRefuses)
            && let End::Failed(_) = end
        {
            let mut cells = self.stage.content()?;
            cells[0] ^= 1;
            fs::write(self.stage.content_path(), cells)?;
        }
        let after = self.stage.content()?;
        let watch = watch.borrow();
        self.tell(&format!("{command:?}: {}; cells {}", told(&end), &blake3_hex(&after)[..16]));
        self.count(armed, &watch, disk.struck(), &end)?;
        if let End::Done(_) = end {
            match self.canary {
                Some(Canary::LostPack) => self.lose_pack()?,
                Some(Canary::ProtectionForgotten) => self.stage.set_registers([0; 3])?,
                _ => {}
            }
        }
        let ended = Ended {
            scenario: self.scenario,
            stage: self.stage,
            command,
            end: &end,
            watch: &watch,
            before: &before,
            after: &after,
            known: &known,
            stuck,
            damaged: self.damaged.is_some(),
            bent: self.bent,
        };
        let mut findings = ended.always()?;
        if quiet {
            findings.extend(ended.without_faults(self.wanted(command, base).as_deref())?);
            if let End::Failed(error) = &end {
                let text = self.stage.plain(&kind_of_refusal(error));
                *self.outcome.refusals.entry(text).or_default() += 1;
            }
        }
        let first = blake3_hex(&self.chip.first);
        for journal in journals(&bench)? {
            self.chip.captured |= journal.texts("captured", "content").any(|content| content == first);
        }
        findings.extend(self.recoverable()?);
        findings.iter().for_each(|finding| self.find(finding));
        if command.writes() {
            self.half_done = !matches!(end, End::Done(_)) && (self.half_done || watch.wrote());
        }
        Ok(end)
    }

    /// What the chip holds when the command is done, where that does not depend on what an unfinished one left.
    fn wanted(&self, command: Command, base: &[u8]) -> Option<Vec<u8>> {
        let images = &self.scenario.images;
        Some(match command {
            Command::Apply(image) => images[image].clone(),
            Command::ApplyPart(..) if self.left_by_another => return None,
            Command::ApplyPart(image, at, len) => {
                let range = at as usize..(at + len) as usize;
                let mut wanted = base.to_vec();
                wanted[range.clone()].copy_from_slice(&images[image][range]);
                wanted
            }
            Command::Fill(value) => vec![value; base.len()],
            Command::RestoreFirst => self.chip.first.clone(),
            Command::Capture | Command::Verify(_) | Command::Plan(_) => base.to_vec(),
            Command::RestoreOnly => return None,
        })
    }

    /// Every first content that was captured is whole in the store.
    fn recoverable(&self) -> io::Result<Vec<String>> {
        if self.damaged.is_some() {
            return Ok(Vec::new());
        }
        let store = Store::read(&self.stage.bench())?;
        let kept = self.retired.iter().chain(self.chip.captured.then_some(&self.chip.first));
        let lost = kept.map(|first| blake3_hex(first)).filter(|id| !store.has_capture(id));
        Ok(lost.map(|id| format!("S2: the first content {} was captured and is not in the store", &id[..16])).collect())
    }

    fn count(&mut self, armed: &[Armed], watch: &Watch, disk_struck: bool, end: &End) -> io::Result<()> {
        let fired = self.stage.state()?.fired;
        for armed in armed {
            let came = armed.fires_as.as_ref().is_some_and(|name| fired.contains(name))
                || armed.from_us.is_some_and(|from_us| from_us <= watch.now_us)
                || armed.disk.is_some() && disk_struck
                || armed.kill_at.is_some_and(|at| watch.requests >= at)
                || armed.stop_at.is_some() && matches!(end, End::Failed(job::JobError::Stopped { .. }));
            if came {
                let disk = armed.disk.map(|plan| format!("{plan:?}")).unwrap_or_default();
                self.tell(&format!("  {} {}{disk}", armed.kind.name(), armed.toml.replace('\n', " ").trim()));
                *self.outcome.fired.entry(armed.kind).or_default() += 1;
            }
        }
        let name = match end {
            End::Done(_) => "done",
            End::Killed => "killed",
            End::Panicked(_) => "panicked",
            End::Failed(error) => match error.kind() {
                job::ErrorKind::Refused => "refused (1)",
                job::ErrorKind::Usage => "wrong usage (2)",
                job::ErrorKind::System => "link or system (3)",
                job::ErrorKind::CutOff => "cut off (4)",
                job::ErrorKind::Damaged => "stored data damaged (5)",
            },
        };
        *self.outcome.ends.entry(name).or_default() += 1;
        Ok(())
    }

    /// The faults end: what was damaged is repaired, or comes back from elsewhere when it is beyond that.
    fn mend(&mut self) -> io::Result<()> {
        let Some(damaged) = self.damaged.take() else { return Ok(()) };
        let repair = |stage: &Stage| {
            let vault = vault::Vault::open(&stage.bench())?;
            vault.repair("2026-03-15T12:00:00Z", &mut |_| {})
        };
        let first = repair(self.stage);
        let is_sound = first.as_ref().is_ok_and(vault::ScrubReport::is_sound);
        self.tell(&format!("  repair: {}", if is_sound { "sound" } else { "not sound" }));
        if is_sound {
            return Ok(());
        }
        if damaged.is_repairable() {
            self.find(&format!(
                "one place is damaged, {}, and repair does not bring it back: {first:?}",
                damaged.name()
            ));
        }
        damaged.mend()?;
        match repair(self.stage) {
            Ok(report) if report.is_sound() => {}
            report => self.find(&format!("what was damaged is back, and the vault is not sound: {report:?}")),
        }
        Ok(())
    }

    fn find(&mut self, finding: &str) {
        let finding = self.stage.plain(finding);
        self.tell(&format!("  FOUND {finding}"));
        self.outcome.findings.push(finding);
    }

    /// Faults are over for good: the first content comes back, and everything is as it was found.
    fn end(&mut self) -> io::Result<()> {
        let base = self.stage.content()?;
        let command = if self.chip.captured { Command::RestoreFirst } else { Command::Apply(0) };
        self.run(command, &[], &base, true)?;
        let bench = self.stage.bench();
        let mut findings = Vec::new();
        if !self.bent {
            findings.extend(as_found(self.stage)?);
        }
        for first in self.retired.iter().chain(self.chip.captured.then_some(&self.chip.first)) {
            let id = blake3_hex(first);
            let out = bench.with_file_name("exported.bin");
            let exported = vault::Vault::open(&bench).and_then(|vault| {
                let id = vault.find(&id)?;
                vault.export(&id, &out, true)
            });
            match exported {
                Err(error) => findings.push(format!("S2: the first content cannot be exported: {error}")),
                Ok(()) if fs::read(&out)? != *first => {
                    findings.push("S2: the exported first content is another".into());
                }
                Ok(()) => {}
            }
        }
        match vault::Vault::open(&bench).and_then(|vault| vault.scrub(&mut |_| {})) {
            Ok(report) if report.is_sound() => {}
            Ok(report) => findings.push(format!("the vault is damaged at the end: {:?}", report.damaged)),
            Err(error) => findings.push(format!("the vault cannot be scrubbed at the end: {error}")),
        }
        findings.iter().for_each(|finding| self.find(finding));
        Ok(())
    }

    /// A build that is broken on purpose: `applied` stands in the journal before anything is applied.
    fn claim_early(&self) -> io::Result<()> {
        let vault = vault::Vault::open(&self.stage.bench()).map_err(io::Error::other)?;
        let Some(info) = vault.journals().map_err(io::Error::other)?.pop() else { return Ok(()) };
        let now = "2026-03-15T12:00:00Z";
        let mut journal = vault::Journal::open(&vault, &info.job, "campaign", now).map_err(io::Error::other)?;
        let content = hex(&[0x5A; 32]);
        for (kind, body) in [
            ("identified", serde_json::json!({ "id": self.stage.id() })),
            ("applied", serde_json::json!({ "content": content })),
        ] {
            journal.append(kind, body, now).map_err(io::Error::other)?;
        }
        Ok(())
    }

    /// A build that is broken on purpose: a stored pack vanishes.
    fn lose_pack(&self) -> io::Result<()> {
        for path in crate::stage::files_below(&self.stage.bench().join("objects"))? {
            if path.extension().is_some_and(|extension| extension == "pack") {
                fs::remove_file(path)?;
            }
        }
        Ok(())
    }
}

fn told(end: &End) -> String {
    match end {
        End::Done(report) => format!("done {report}"),
        End::Failed(error) => format!("exit {}: {error} {:?}", error.kind().exit_status(), error.causes()),
        End::Killed => "killed".into(),
        End::Panicked(text) => format!("panicked: {text}"),
    }
}

/// The refusal without its numbers, so that equal ones are counted together.
fn kind_of_refusal(error: &job::JobError) -> String {
    let text = error.causes().into_iter().fold(error.to_string(), |text, cause| format!("{text}: {cause}"));
    let mut plain: Vec<&str> = Vec::new();
    for word in text.split(' ') {
        let byte = matches!(plain.last(), Some(&("wanted" | "read"))) && word.trim_end_matches(',').len() == 2;
        let number = byte || word.chars().any(|letter| letter.is_ascii_digit());
        plain.push(if number { "#" } else { word });
    }
    plain.join(" ")
}
