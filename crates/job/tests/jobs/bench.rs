//! A bench folder with the scenario's profiles, nobody at the terminal, and chip commands written down by hand.

use std::path::{Path, PathBuf};

use job::jobs::{self, HandoverReport, HandoverRequest, SignReport, SignRequest, StartReport, StartRequest};
use job::procedure::{JobHeader, Standing, State};
use job::profile::{Content, JobKind, Profile, Step, StepKind};
use job::vault::{Digest, Entry, JobId, Journal, Kind, PutRequest, Vault};
use job::{JobError, now};
use serde_json::{Value, json};
use tempfile::TempDir;

use job::Nobody;

pub struct Bench {
    folder: TempDir,
}

pub const ANSWERS: [&str; 12] = [
    "unlocked=yes",
    "setup-password=yes",
    "recovery-key=yes",
    "charge-battery=80 %",
    "gate-dry=yes",
    "gate-battery-sound=yes",
    "gate-revision=yes",
    "option-mobile-card=yes",
    "option-finger-reader=no",
    "limit-finger-reader=yes",
    "limit-charge-limit=yes",
    "variant=school",
];

impl Bench {
    pub fn new() -> Self {
        let bench = Self { folder: tempfile::tempdir().expect("a folder") };
        for name in ["larkspur-nine.toml", "teal-router.toml"] {
            let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../profiles").join(name);
            std::fs::copy(from, bench.file(name)).expect("the project's profile");
        }
        bench
    }

    pub fn dir(&self) -> PathBuf {
        self.folder.path().join("bench")
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn vault(&self) -> Vault {
        Vault::open(&self.dir()).expect("a bench")
    }

    pub fn request(&self, kind: JobKind, answers: &[&str]) -> StartRequest {
        StartRequest {
            kind,
            profile: Some(self.file("larkspur-nine.toml")),
            kept: None,
            of: None,
            machine: "shelf 3, serial LN9-0042".into(),
            owner: "Lantern Street".into(),
            consent: "Ana Ask".into(),
            answers: answers.iter().map(|answer| (*answer).to_owned()).collect(),
        }
    }

    pub fn start(&self, request: &StartRequest) -> Result<StartReport, JobError> {
        jobs::start(&self.dir(), request, &mut Nobody)
    }

    pub fn convert(&self) -> String {
        self.start(&self.request(JobKind::Convert, &ANSWERS)).expect("a sound machine").job
    }

    pub fn sign(&self, job: &str, step: &str) -> Result<SignReport, JobError> {
        let request =
            SignRequest { step: step.into(), job: Some(job.into()), by: "Ana Ask".into(), ..SignRequest::default() };
        jobs::sign(&self.dir(), &request, &mut Nobody)
    }

    /// Hands the only open job over.
    pub fn handover(&self) -> Result<HandoverReport, JobError> {
        let request = HandoverRequest { by: "Ana Ask".into(), ..HandoverRequest::default() };
        jobs::handover(&self.dir(), &request, &mut Nobody)
    }

    /// Writes an entry as a chip command would.
    pub fn append(&self, job: &str, kind: &str, body: Value) {
        let job = JobId::new(job).expect("a job id");
        let mut journal = Journal::open(&self.vault(), &job, "test", &now()).expect("an open journal");
        journal.append(kind, body, &now()).expect("written");
    }

    pub fn put(&self, name: &str, bytes: &[u8]) -> Digest {
        let request =
            PutRequest { name: name.into(), kind: Kind::Capture, job: None, taken_at: now(), facts: json!({}) };
        self.vault().put(bytes, &request).expect("kept").id
    }

    /// A virtual bench as a link.
    pub fn link(&self, asks: bool, present: bool) -> String {
        let path = self.file("link.toml");
        let text = format!(
            "[chip]\nmarking = \"W25Q128\"\ncontent = \"link.bin\"\n[link]\nasks = {asks}\npresent = {present}\n"
        );
        std::fs::write(&path, text).expect("written");
        path.display().to_string()
    }

    pub fn read(&self, job: &str) -> (JobHeader, Profile, Vec<Entry>) {
        let entries = self.vault().read_journal(&JobId::new(job).expect("a job id")).expect("a journal").entries;
        let header = JobHeader::of(&entries[0].body).expect("a profile job");
        let text = String::from_utf8(self.vault().read_vec(&header.profile).expect("kept")).expect("text");
        let profile = Profile::parse(&text, Path::new(&header.profile_name)).expect("sound");
        (header, profile, entries)
    }

    /// Does every step before `stop`, in the profile's order; chip commands are written down by hand.
    pub fn until(&self, job: &str, stop: &str) {
        let (header, profile, _) = self.read(job);
        for step in profile.steps_of(header.kind) {
            if step.id == stop {
                return;
            }
            let (_, _, entries) = self.read(job);
            let view = State::of(&profile, &header, &entries).step(&step.id).expect("a step of the profile");
            if !matches!(view.standing, Standing::Done(_) | Standing::Skipped(_)) {
                self.do_step(job, &header, &profile, step);
            }
        }
    }

    fn do_step(&self, job: &str, header: &JobHeader, profile: &Profile, step: &Step) {
        let mut request =
            SignRequest { step: step.id.clone(), job: Some(job.into()), by: "Ben".into(), ..SignRequest::default() };
        if step.kind.talks_to_chip() {
            if step.hold {
                self.sign(job, &step.id).unwrap_or_else(|error| panic!("{}: {error}: {:?}", step.id, error.causes()));
            }
            for chip in profile.chips_of(step) {
                self.chip_step(job, header, step, chip);
            }
            return;
        }
        if step.takes.is_some() {
            return self.append(job, "step-done", json!({ "step": step.id, "by": "firmhand" }));
        }
        request.measured = step.measure.as_ref().map(|measure| match measure.is.first() {
            Some(text) => text.clone(),
            None => measure.max.or(measure.min).expect("a limit").to_string(),
        });
        match step.kind {
            StepKind::PowerUp if step.hold => {
                let begin = SignRequest { begin: true, ..request.clone() };
                jobs::sign(&self.dir(), &begin, &mut Nobody).expect("a hold point is signed before power comes");
            }
            StepKind::Wire | StepKind::Unwire => request.link = Some(self.link(false, true)),
            _ => {}
        }
        jobs::sign(&self.dir(), &request, &mut Nobody)
            .unwrap_or_else(|error| panic!("{}: {error}: {:?}", step.id, error.causes()));
    }

    fn chip_step(&self, job: &str, header: &JobHeader, step: &Step, chip: &str) {
        let found = self.put(&format!("{chip} as found"), format!("{job} {chip} found").as_bytes());
        let (kind, mut body) = match step.kind {
            StepKind::Identify => ("identified", json!({ "id": "ef4018" })),
            StepKind::Capture => ("captured", json!({ "content": found })),
            StepKind::Verify => ("verified", json!({ "differing_bytes": 0 })),
            _ => {
                let earlier = header.earlier.iter().find(|earlier| earlier.chip == chip);
                let content = match (step.content, earlier) {
                    (Some(Content::AsFound), Some(earlier)) => earlier.as_found,
                    _ => self.put(&format!("{chip} new"), format!("{chip} {:?}", step.fill).as_bytes()),
                };
                ("applied", json!({ "content": content, "fill": step.fill }))
            }
        };
        body["step"] = json!(step.id);
        body["chip"] = json!(chip);
        self.append(job, kind, body);
    }
}

/// Checks a report against its schema.
pub fn fits_schema(name: &str, report: &impl serde::Serialize) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/schemas").join(name);
    let schema: Value = serde_json::from_slice(&std::fs::read(path).expect("the schema")).expect("JSON");
    let value = serde_json::to_value(report).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    let wrong: Vec<String> =
        validator.iter_errors(&value).map(|error| format!("{error} at {}", error.instance_path())).collect();
    assert!(wrong.is_empty(), "{name}: {wrong:?}\n{value:#}");
}
