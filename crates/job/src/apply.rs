//! Bringing a chip to a wanted content: plan, erase, program, verify; and the checks without which none of it begins.
//!
//! Order of things, and the rule each keeps: the image fits (S8); the chip may be written (S5); its present content is an
//! accepted capture of this job, or equals one, or is a half-done write of this job whose every other sector equals one
//! (S1); the wanted content and the plan are durable (S2); then erases and programs with id and status checked on the way
//! (S6); then everything is read again and compared (S3). What differs is planned and written again, twice at most.

use std::borrow::Cow;
use std::ops::Range;
use std::path::{Path, PathBuf};

use driver::{Verified, WriteJob};
use nor::chip::Conflict;
use nor::plan::{Costs, Plan};
use serde_json::json;
use vault::{Digest, Kind, PutRequest};

use crate::capture::Look;
use crate::error::JobError;
use crate::files;
use crate::front::{Question, QuestionKind};
use crate::record::Pending;
use crate::report::{ApplyReport, PlanReport, VerifyReport, plan_json, plan_text};
use crate::session::{Session, WRITING, run_op};
use crate::station::Wanted;
use crate::text::counted;

/// How often what differs after writing is written again.
const REPAIRS: u32 = 2;

/// What a chip, or a part of it, should hold.
#[derive(Debug, Clone)]
pub struct Target {
    /// A name for people.
    pub name: String,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// Where they go.
    pub place: Place,
}

/// Where an image goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// It is the whole chip.
    Whole,
    /// From this byte.
    At(u64),
    /// Into this region of the chip's own flash descriptor; it has to fill it.
    Region(String),
}

impl Target {
    /// Reads an image file whole.
    ///
    /// # Errors
    /// [`JobError::ImageFile`] for what is no file, is empty, larger than any chip, or unreadable.
    pub fn from_file(path: &Path, place: Place) -> Result<Self, JobError> {
        let bytes = files::read(path, u64::from(nor::MAX_SIZE))?;
        if bytes.is_empty() {
            return Err(JobError::ImageFile { path: path.to_path_buf(), why: "it is empty".into() });
        }
        let name =
            path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
        Ok(Self { name, bytes, place })
    }
}

impl Session<'_> {
    /// What an image argument names: a file, or else a content of the vault by id or name.
    ///
    /// # Errors
    /// [`JobError::ImageFile`], [`JobError::Vault`].
    pub fn target(&self, given: &str, place: Place) -> Result<Target, JobError> {
        let path = PathBuf::from(given);
        if path.exists() {
            return Target::from_file(&path, place);
        }
        match self.vault.find(given) {
            Ok(id) => Ok(Target { name: given.to_owned(), bytes: self.vault.read_vec(&id)?, place }),
            Err(vault::VaultError::NotFound { .. } | vault::VaultError::BadName { .. }) => {
                let why = "no such file, and the vault holds no content of this id or name".into();
                Err(JobError::ImageFile { path, why })
            }
            Err(error) => Err(error.into()),
        }
    }

    /// What was last applied to this chip in this job.
    ///
    /// # Errors
    /// [`JobError::WhichCapture`] when nothing was; [`JobError::Vault`].
    pub fn last_applied(&self) -> Result<Target, JobError> {
        let why = || JobError::WhichCapture { why: format!("job {} has applied nothing to this chip", self.job()) };
        let id = self.known.applied.ok_or_else(why)?;
        Ok(Target { name: format!("content {}", id.short()), bytes: self.vault.read_vec(&id)?, place: Place::Whole })
    }

    /// The content that the open step is to write, where the profile or the journal names one: what was composed for this chip, or
    /// what an earlier job found on it.
    ///
    /// # Errors
    /// [`JobError::WhichCapture`] when the open step names none; [`JobError::Vault`].
    pub fn wanted_content(&self) -> Result<Target, JobError> {
        let Some(Wanted::Content(id)) = self.wanted_by_step() else {
            return Err(JobError::WhichCapture { why: format!("job {} has no content for this step", self.job()) });
        };
        Ok(Target { name: format!("content {}", id.short()), bytes: self.vault.read_vec(id)?, place: Place::Whole })
    }

    /// Brings the chip, or a part of it, to the wanted content.
    ///
    /// # Errors
    /// [`JobError`]; the journal has it too.
    pub fn apply(&mut self, target: &Target) -> Result<ApplyReport, JobError> {
        let result = self.apply_checked(target);
        self.conclude(result)
    }

    /// Fills the whole chip with one byte value.
    ///
    /// # Errors
    /// As [`Session::apply`].
    pub fn fill(&mut self, value: u8) -> Result<ApplyReport, JobError> {
        let bytes = vec![value; self.identity.chip.size as usize];
        self.apply(&Target { name: format!("filled with {value:02x}"), bytes, place: Place::Whole })
    }

    /// Brings a capture of this job back; the only one, when none is named.
    ///
    /// # Errors
    /// [`JobError::WhichCapture`]; else as [`Session::apply`].
    pub fn restore(&mut self, which: Option<&str>) -> Result<ApplyReport, JobError> {
        let id = match which {
            Some(given) => self.vault.find(given)?,
            None => self.only_capture()?,
        };
        let bytes = self.vault.read_vec(&id)?;
        self.apply(&Target { name: format!("capture {}", id.short()), bytes, place: Place::Whole })
    }

    fn only_capture(&self) -> Result<Digest, JobError> {
        let mut captures = self.known.captures.clone();
        captures.dedup();
        match captures.as_slice() {
            [] => Err(JobError::WhichCapture {
                why: format!("job {} has no capture to restore; name one of `firmhand vault list`", self.job()),
            }),
            [only] => Ok(*only),
            several => Err(JobError::WhichCapture {
                why: format!(
                    "job {} has {} captures, oldest first: {}; name the one to restore",
                    self.job(),
                    several.len(),
                    several.iter().map(Digest::short).collect::<Vec<_>>().join(", ")
                ),
            }),
        }
    }

    /// Makes the plan and writes nothing; reads the chip once and needs no capture.
    ///
    /// # Errors
    /// [`JobError`].
    pub fn plan_only(&mut self, target: &Target) -> Result<PlanReport, JobError> {
        let result = self.plan_checked(target);
        self.conclude(result)
    }

    fn plan_checked(&mut self, target: &Target) -> Result<PlanReport, JobError> {
        let target = &*self.for_this_chip(target);
        self.check_fits(target)?;
        self.check_writable()?;
        let Look::Other(present) = self.look(&[])? else { unreachable!("nothing to compare with was given") };
        let (wanted, range) = self.wanted(target, &present)?;
        let (plan, costs) = self.plan(&present, &wanted, range)?;
        Ok(PlanReport::of(&plan, &costs, &self.identity.chip))
    }

    /// Compares the chip with an image and writes nothing.
    ///
    /// # Errors
    /// [`JobError::Differs`] when they are not equal; else [`JobError`].
    pub fn verify(&mut self, target: &Target) -> Result<VerifyReport, JobError> {
        let result = self.verify_checked(target);
        self.conclude(result)
    }

    fn verify_checked(&mut self, target: &Target) -> Result<VerifyReport, JobError> {
        let target = &*self.for_this_chip(target);
        self.check_fits(target)?;
        let range = match &target.place {
            Place::Region(_) => {
                let Look::Other(present) = self.look(&[])? else { unreachable!("nothing to compare with was given") };
                self.range_of(target, &present)?
            }
            _ => self.range_of(target, &[])?,
        };
        let mut wanted = vec![nor::ERASED; self.identity.chip.size as usize];
        wanted[range.start as usize..range.end as usize].copy_from_slice(&target.bytes);
        let found = self.read_again(&wanted, range.clone())?;
        let body = json!({
            "image": Digest::blake3(&target.bytes),
            "range": [range.start, range.end],
            "differing_bytes": found.differing_bytes,
        });
        self.write_down("verified", body)?;
        if let Some(first) = found.first {
            return Err(JobError::Differs {
                differing: found.differing_bytes,
                len: found.len,
                at: first.at,
                wanted: first.wanted,
                read: first.read,
            });
        }
        Ok(VerifyReport {
            job: self.job().to_string(),
            chip: self.chip_name(),
            at: range.start,
            len: found.len,
            differing_bytes: 0,
            digested_sectors: found.digested,
        })
    }

    fn apply_checked(&mut self, given: &Target) -> Result<ApplyReport, JobError> {
        let target = &*self.for_this_chip(given);
        self.check_fits(target)?;
        self.check_step(target, given)?;
        self.check_writable()?;
        let present = self.present_content()?;
        self.check_writable()?;
        let (wanted, asked) = match &present.unfinished {
            None => self.wanted(target, &present.content)?,
            Some(unfinished) => self.wanted(target, &self.wanted_before(unfinished)?)?,
        };
        // What a write that was cut off touched is brought to its end too: beside the range, nothing else tells what stood there.
        let touched = present.unfinished.iter().flat_map(|unfinished| &unfinished.touched);
        let (plan, costs) = self.plan(&present.content, &wanted, hull(&asked, touched))?;
        // S3: a block that crosses the range is erased and written back, and read again as a whole.
        let range = hull(&plan.range, &plan.touched());
        let report = PlanReport::of(&plan, &costs, &self.identity.chip);
        let wanted_id = self.keep_wanted(target, &wanted)?;
        let (mut rounds, mut written, mut begun) = (0, false, None);
        let mut next = plan.clone();
        let found = loop {
            if !next.is_empty() {
                if !written {
                    self.ask_fused()?;
                    self.ask_kernel(&next)?;
                }
                // What is written again has a plan of its own, which may reach further than the first one, or be the first.
                let report = PlanReport::of(&next, &costs, &self.identity.chip);
                self.say(plan_text(&report, &next));
                self.write_down("planned", plan_json(&report, &next, present.capture, wanted_id))?;
                self.lift_protection(&next)?;
                self.present = None;
                begun = begun.or(Some(self.link_us()));
                self.write(&next, &wanted)?;
                written = true;
            }
            begun = begun.or(Some(self.link_us()));
            let found = self.read_again(&wanted, range.clone())?;
            let Some(first) = found.first else { break found };
            if rounds == REPAIRS {
                // The chip is left as it was found, whatever it holds now.
                self.settle_protection()?;
                return Err(JobError::Mismatch {
                    differing: found.differing_bytes,
                    len: found.len,
                    at: first.at,
                    wanted: first.wanted,
                    read: first.read,
                    sectors: found.wrong.len(),
                });
            }
            rounds += 1;
            let (bytes, sectors) =
                (counted(found.differing_bytes, "byte"), counted(found.wrong.len() as u64, "sector"));
            self.say(format!(
                "{bytes} in {sectors} of 4 KiB read wrong after writing, first at {:#010x}: writing again",
                first.at
            ));
            let mut now = wanted.clone();
            for (at, bytes) in &found.wrong {
                now[*at as usize..*at as usize + bytes.len()].copy_from_slice(bytes);
            }
            next = self.plan(&now, &wanted, range.clone())?.0;
        };
        let took_us = found.ended_us.saturating_sub(begun.unwrap_or(found.ended_us));
        self.write_down(
            "applied",
            json!({
                "content": wanted_id,
                "range": [range.start, range.end],
                "verified_bytes": found.len,
                "differing_bytes": 0,
                "digested_sectors": found.digested,
                "repairs": rounds,
                "fill": self.fills_with(),
            }),
        )?;
        self.settle_protection()?;
        self.present = Some((wanted_id, wanted));
        #[expect(clippy::cast_precision_loss, reason = "times far below 2^53 us")]
        let took_ms = took_us as f64 / 1000.0;
        Ok(ApplyReport {
            job: self.job().to_string(),
            chip: self.chip_name(),
            capture: present.capture.map(|id| id.to_string()),
            content: wanted_id.to_string(),
            at: asked.start,
            len: asked.end - asked.start,
            resumed: present.unfinished.is_some(),
            erases: report.erases.len(),
            programmed_bytes: plan.programmed_bytes(),
            verified_bytes: found.len,
            differing_bytes: 0,
            digested_sectors: found.digested,
            repairs: rounds,
            predicted_ms: report.predicted_ms,
            took_ms,
        })
    }

    /// The byte that the open step fills with, for the journal.
    fn fills_with(&self) -> Option<u8> {
        match self.station.as_ref()?.wanted {
            Wanted::Fill(byte) => Some(byte),
            _ => None,
        }
    }

    /// Of an image over several chips, this chip's part (S8: the image has the size of all of them together).
    fn for_this_chip<'t>(&self, target: &'t Target) -> Cow<'t, Target> {
        let whole = target.place == Place::Whole && target.bytes.len() as u64 != u64::from(self.identity.chip.size);
        let station = self.station.as_ref().filter(|_| whole);
        match station.and_then(|station| station.part(&target.bytes).map(|part| (station, part))) {
            None => Cow::Borrowed(target),
            Some((station, part)) => Cow::Owned(Target {
                name: format!("{}, part {}", target.name, station.chip),
                bytes: part.to_vec(),
                place: Place::Whole,
            }),
        }
    }

    /// In a profile job: what the open step is to write, and nothing else. `given` is the image as the person named it.
    fn check_step(&self, target: &Target, given: &Target) -> Result<(), JobError> {
        let Some(station) = &self.station else { return Ok(()) };
        let why = if target.place == Place::Whole {
            let whole = (given.bytes.len() != target.bytes.len()).then_some(given.bytes.as_slice());
            station.refuses(&target.bytes, whole)
        } else {
            Some("a step of a job writes whole chips".into())
        };
        why.map_or(Ok(()), |why| Err(JobError::OtherContent { why }))
    }

    /// S8, as far as it can be told without reading the chip.
    fn check_fits(&self, target: &Target) -> Result<(), JobError> {
        let (image, chip) = (target.bytes.len() as u64, self.identity.chip.size);
        if let Some(facts) = self.kernel_facts()
            && let Some(offset) = facts.offset
        {
            match &target.place {
                Place::Whole if image != facts.size => {
                    return Err(JobError::PartSize { image, part: facts.size, offset, name: facts.name.clone() });
                }
                Place::Region(region) => {
                    let why = "regions are those of a whole chip, and the kernel shows a part of one".into();
                    return Err(JobError::Region { region: region.clone(), why });
                }
                Place::Whole | Place::At(_) => {}
            }
        }
        match target.place {
            Place::Whole if image != u64::from(chip) => Err(JobError::ImageSize { image, chip }),
            Place::At(at) if at.checked_add(image).is_none_or(|end| end > u64::from(chip)) => {
                Err(JobError::ImagePlace { image, at, chip })
            }
            _ => Ok(()),
        }
    }

    /// S5. What the size looks like in a few windows is not held against a chip before its whole content was read.
    fn check_writable(&self) -> Result<(), JobError> {
        let whole_read = self.whole_read;
        let conflicts: Vec<Conflict> = self
            .identity
            .chip
            .conflicts
            .iter()
            .filter(|conflict| whole_read || !matches!(conflict, Conflict::Measured { .. }))
            .cloned()
            .collect();
        if conflicts.is_empty() { Ok(()) } else { Err(JobError::NotWritable { conflicts }) }
    }

    fn range_of(&self, target: &Target, present: &[u8]) -> Result<Range<u32>, JobError> {
        let len = u32::try_from(target.bytes.len()).expect("checked to fit the chip");
        match &target.place {
            Place::Whole => Ok(0..len),
            Place::At(at) => {
                let at = u32::try_from(*at).expect("checked to fit the chip");
                Ok(at..at + len)
            }
            Place::Region(name) => {
                let no = |why: String| JobError::Region { region: name.clone(), why };
                let regions = image::descriptor::regions(present).map_err(|error| no(error.to_string()))?;
                let region = regions.iter().find(|region| region.name == *name).ok_or_else(|| {
                    let names: Vec<_> = regions.iter().map(|region| region.name.as_str()).collect();
                    no(format!("this chip's descriptor has {}", names.join(", ")))
                })?;
                let size = region.range.end - region.range.start;
                if size != len {
                    return Err(no(format!("it has {size} bytes, the image {len}")));
                }
                Ok(region.range.clone())
            }
        }
    }

    /// The wanted content of the whole chip, and the range asked for.
    fn wanted(&self, target: &Target, present: &[u8]) -> Result<(Vec<u8>, Range<u32>), JobError> {
        let range = self.range_of(target, present)?;
        let mut wanted = present.to_vec();
        wanted[range.start as usize..range.end as usize].copy_from_slice(&target.bytes);
        Ok((wanted, range))
    }

    /// What the whole chip was to hold at the end of a write that was cut off.
    fn wanted_before(&self, unfinished: &Pending) -> Result<Vec<u8>, JobError> {
        let newest = unfinished.wanted.last().expect("a write that was begun has a wanted content");
        Ok(self.vault.read_vec(newest)?)
    }

    fn plan(&self, present: &[u8], wanted: &[u8], range: Range<u32>) -> Result<(Plan, Costs), JobError> {
        let chip = &self.identity.chip;
        let costs = Costs::of(chip, self.reached.link.limits(), self.clock_hz);
        Ok((Plan::new(chip, &costs, present, wanted, range)?, costs))
    }

    /// The wanted content goes into the vault, so that the plan means something when this program is gone.
    fn keep_wanted(&mut self, target: &Target, wanted: &[u8]) -> Result<Digest, JobError> {
        let stored = self.vault.put(
            wanted,
            &PutRequest {
                name: target.name.clone(),
                kind: Kind::Image,
                job: Some(self.job().clone()),
                taken_at: (self.clock)(),
                facts: json!({ "wanted_on": self.identity.chip.id_text() }),
            },
        )?;
        Ok(stored.id)
    }

    /// S16: a machine may check its firmware in hardware before it runs. Without a profile that is unknown, and unknown
    /// is a hold point before the first erase.
    fn ask_fused(&mut self) -> Result<(), JobError> {
        // In a profile job the gate was answered before the step could begin.
        if !self.reached.asks || self.station.is_some() {
            return Ok(());
        }
        self.sign(&Question {
            name: "fused",
            text: "Some machines check their firmware in hardware and start with nothing else (fused). For this one it is \
                   unknown. Sign with your name to go on."
                .into(),
            cautions: vec!["A fused machine stays dark with a new firmware until the old one is restored.".into()],
            kind: QuestionKind::Signature,
        })
    }

    fn write(&mut self, plan: &Plan, wanted: &[u8]) -> Result<(), JobError> {
        let job = WriteJob { identity: &self.identity, plan, wanted, clock_hz: self.clock_hz };
        run_op(self.reached.link.as_mut(), self.front, WRITING, |limits| driver::write(limits, job))
    }

    fn read_again(&mut self, wanted: &[u8], range: Range<u32>) -> Result<Verified, JobError> {
        let (identity, clock_hz) = (&self.identity, self.clock_hz);
        let found = run_op(self.reached.link.as_mut(), self.front, "reading again", |limits| {
            driver::verify(limits, identity, wanted, range, clock_hz)
        })?;
        if found.unsteady > 0 {
            self.say(format!("{} sectors read differently the first time: a contact is not steady", found.unsteady));
        }
        Ok(found)
    }
}

/// The smallest range that holds `range` and all of `more`.
fn hull<'r>(range: &Range<u32>, more: impl IntoIterator<Item = &'r Range<u32>>) -> Range<u32> {
    more.into_iter().fold(range.clone(), |hull, more| hull.start.min(more.start)..hull.end.max(more.end))
}
