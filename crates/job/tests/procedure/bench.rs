//! A profile with every interlock in it, and a journal that is written by hand.

use job::procedure::{JobHeader, Reason, Standing, State};
use job::profile::model::*;
use job::vault::{Digest, Entry};
use nor::supply::{Supply as Volts, SupplyRange};
use serde_json::{Value, json};

/// A step with nothing but its kind.
pub fn step(id: &str, kind: StepKind, needs: &[&str]) -> Step {
    Step {
        id: id.into(),
        title: id.into(),
        kind,
        why: "for the test".into(),
        only_for: Vec::new(),
        chip: None,
        span: None,
        needs: needs.iter().map(|need| (*need).to_owned()).collect(),
        hold: false,
        cautions: Vec::new(),
        expect: None,
        tools: Vec::new(),
        pictures: Vec::new(),
        minutes: 0,
        dark_minutes: (kind == StepKind::PowerUp).then_some(5),
        restarts: None,
        starts_by_itself: false,
        done_when: "it is".into(),
        if_dark: (kind == StepKind::PowerUp).then(|| "Seat the memory again.".into()),
        supplies: Vec::new(),
        settings: Vec::new(),
        may_write: Vec::new(),
        fill: None,
        content: None,
        measure: None,
        media: None,
        takes: None,
    }
}

pub fn chip_step(id: &str, kind: StepKind, chip: &str, needs: &[&str]) -> Step {
    Step { chip: Some(chip.into()), ..step(id, kind, needs) }
}

fn chip(id: &str, size: u32) -> ChipSpec {
    ChipSpec {
        id: id.into(),
        role: Role::System,
        size,
        markings: Vec::new(),
        supply_v: SupplyRange::class_of(Volts { mv: 3300 }).expect("3 V class"),
        package: Package::Soic8,
        place: "centre".into(),
        reach: Reach::Clip,
        covered: None,
        powered_by: PoweredBy::Link,
        protection_after: ProtectionAfter::AsFound,
        regions: Vec::new(),
    }
}

fn supply(id: &str, order: u32) -> Supply {
    Supply {
        id: id.into(),
        name: id.into(),
        kind: SupplyKind::Mains,
        order,
        how_off: "pull it".into(),
        how_on: "push it".into(),
        charge_min: None,
    }
}

/// Two chips, two supplies, three power-ups.
pub fn profile() -> Profile {
    use StepKind as K;
    Profile {
        board: Board { name: "Test Board".into(), revision: None, note: None, jobs: JobKind::ALL.to_vec() },
        sources: Vec::new(),
        gates: vec![
            Gate { id: "fuse".into(), kind: GateKind::Fused { says: FusedState::Open }, why: "S16".into() },
            Gate { id: "whole".into(), kind: GateKind::Fit { question: "Is it whole?".into() }, why: "or not".into() },
        ],
        options: Vec::new(),
        supplies: vec![supply("mains", 1), supply("battery", 2)],
        chips: vec![chip("main", 1 << 24), chip("port", 1 << 20)],
        spans: Vec::new(),
        settings: Vec::new(),
        variants: Vec::new(),
        controllers: Vec::new(),
        limits: Vec::new(),
        steps: vec![
            step("intake", K::Intake, &[]),
            step("stick", K::BootMedia, &["intake"]),
            Step { hold: true, may_write: vec!["main".into()], ..step("update", K::Note, &["stick"]) },
            step("survey", K::Survey, &["intake"]),
            step("off-1", K::SuppliesOff, &["update", "survey"]),
            step("open", K::Open, &["off-1"]),
            chip_step("wire-main", K::Wire, "main", &["open"]),
            chip_step("identify-main", K::Identify, "main", &["wire-main"]),
            chip_step("capture-main", K::Capture, "main", &["identify-main"]),
            Step {
                content: Some(Content::Composed),
                hold: true,
                ..chip_step("apply-main", K::Apply, "main", &["capture-main"])
            },
            chip_step("verify-main", K::Verify, "main", &["apply-main"]),
            chip_step("unwire-main", K::Unwire, "main", &["verify-main"]),
            chip_step("wire-port", K::Wire, "port", &["unwire-main"]),
            chip_step("capture-port", K::Capture, "port", &["wire-port"]),
            Step { fill: Some(0), ..chip_step("fill-port", K::Fill, "port", &["capture-port"]) },
            chip_step("unwire-port", K::Unwire, "port", &["fill-port"]),
            step("settle", K::PowerUp, &["unwire-port"]),
            step("off-2", K::SuppliesOff, &["settle"]),
            chip_step("wire-port-2", K::Wire, "port", &["off-2"]),
            Step { content: Some(Content::Variant), ..chip_step("apply-port", K::Apply, "port", &["wire-port-2"]) },
            chip_step("verify-port", K::Verify, "port", &["apply-port"]),
            chip_step("unwire-port-2", K::Unwire, "port", &["verify-port"]),
            step("start", K::PowerUp, &["unwire-port-2"]),
            step("off-3", K::SuppliesOff, &["start"]),
            step("memory", K::Fit, &["off-3"]),
            Step {
                measure: Some(Measure { what: "cell".into(), unit: "V".into(), min: Some(2.8), max: Some(3.4) }),
                ..step("cell", K::Measure, &["off-3"])
            },
            step("close", K::Close, &["memory", "cell"]),
            step("handover", K::Handover, &["close"]),
        ],
    }
}

pub fn header(kind: JobKind) -> JobHeader {
    JobHeader { kind, profile: Digest([7; 32]), profile_name: "test.toml".into(), of: None, earlier: Vec::new() }
}

pub fn content(byte: u8) -> Digest {
    Digest([byte; 32])
}

/// A journal in the making, over one profile.
pub struct Bench {
    pub profile: Profile,
    pub header: JobHeader,
    pub entries: Vec<Entry>,
}

impl Bench {
    /// Freshly opened, the machine not taken in.
    pub fn fresh(profile: Profile, kind: JobKind) -> Self {
        let header = header(kind);
        let mut bench = Self { profile, header, entries: Vec::new() };
        let body = bench.header.to_json();
        bench.add("opened", body);
        bench
    }

    /// With the machine taken in and fit.
    pub fn new(profile: Profile, kind: JobKind) -> Self {
        let mut bench = Self::fresh(profile, kind);
        bench.add("intake", json!({ "by": "Ana" }));
        bench.add("gate", json!({ "id": "whole", "answer": "yes", "by": "Ana" }));
        bench
    }

    pub fn add(&mut self, kind: &str, body: Value) {
        let seq = self.entries.len() as u64;
        let time = format!("2026-03-01T{:02}:{:02}:00Z", 9 + seq / 60, seq % 60);
        self.entries.push(Entry { seq, time, kind: kind.into(), body, prev: Digest([0; 32]), hash: Digest([0; 32]) });
    }

    pub fn sign(&mut self, step: &str) {
        self.add("signed", json!({ "step": step, "by": "Ana" }));
    }

    pub fn state(&self) -> State<'_> {
        State::of(&self.profile, &self.header, &self.entries)
    }

    pub fn codes(&self, step: &str) -> Vec<&'static str> {
        match self.state().may_do(step) {
            Ok(()) => Vec::new(),
            Err(blocked) => blocked.reasons.iter().map(Reason::code).collect(),
        }
    }

    pub fn is_done(&self, step: &str) -> bool {
        matches!(self.state().step(step).expect("a step of the profile").standing, Standing::Done(_))
    }

    /// Does everything before this step as it should be done.
    pub fn until(&mut self, stop: &str) {
        let steps: Vec<Step> = self.profile.steps.clone();
        for step in steps {
            if step.id == stop {
                return;
            }
            if self.state().step(&step.id).is_some_and(|view| matches!(view.standing, Standing::Skipped(_))) {
                continue;
            }
            if step.kind == StepKind::Handover {
                assert_eq!(self.codes(&step.id), [""; 0], "`{}` is next", step.id);
            }
            self.do_step(&step);
            assert!(
                self.is_done(&step.id),
                "`{}` is not done: {:?}, {:?}",
                step.id,
                self.state().may_do(&step.id),
                self.state().notes()
            );
        }
    }

    /// Writes down what doing this step writes down.
    pub fn do_step(&mut self, step: &Step) {
        let id = &step.id;
        if step.hold && step.kind.talks_to_chip() {
            self.sign(id);
        }
        let chips: Vec<String> = self.profile.chips_of(step).into_iter().map(str::to_owned).collect();
        match step.kind {
            StepKind::Intake if step.takes.is_some() => self.add("step-done", json!({ "step": id, "by": "firmhand" })),
            StepKind::Intake => {}
            StepKind::Wire | StepKind::Unwire => {
                self.add("link-gone", json!({}));
                self.sign(id);
            }
            StepKind::PowerUp => {
                self.add("step-begun", json!({ "step": id, "by": "Ana" }));
                self.add("power-up", json!({ "step": id, "seen": true, "dark_minutes": 2, "by": "Ana" }));
            }
            StepKind::Measure => {
                let value = step.measure.as_ref().and_then(|measure| measure.min.or(measure.max)).unwrap_or(1.0);
                self.add("signed", json!({ "step": id, "by": "Ana", "measured": value }));
            }
            StepKind::Identify => {
                for chip in chips {
                    self.add("identified", json!({ "id": "ef4018", "chip": chip, "step": id }));
                }
            }
            StepKind::Capture => {
                for chip in chips {
                    self.add("captured", json!({ "content": content(1), "chip": chip, "step": id }));
                }
            }
            StepKind::Fill | StepKind::Apply => {
                for chip in chips {
                    self.add("planned", json!({ "chip": chip, "step": id }));
                    self.add("applied", json!({ "content": content(2), "chip": chip, "step": id, "fill": step.fill }));
                }
            }
            StepKind::Verify => {
                for chip in chips {
                    self.add("verified", json!({ "differing_bytes": 0, "chip": chip, "step": id }));
                }
            }
            _ => self.sign(id),
        }
    }
}
