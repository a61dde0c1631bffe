//! Makes the bench that the walk through the desk measures on: five hundred jobs, among them one with everything to look at and one with
//! a chip of 32 MiB.
//!
//! usage: desk-benches DIR [JOBS]
//!
//! The demo's machine is converted and brought back for real, on virtual chips; the others stand at their beginning. What no virtual bench
//! gives quickly (a refused read, a write that was cut off on a large chip) is written into journals by hand, as the engine would.
//! Prints one JSON object: the job with everything, the job with the large chip.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use job::image::scenario::teal;
use job::jobs::{SignRequest, StartRequest, sign, start, status_all};
use job::profile::JobKind;
use job::vault::{Digest, JobId, Journal, Kind, PutRequest, Vault};
use job::{Nobody, now};
use serde_json::{Value, json};

const LARKSPUR: &str = include_str!("../../../../profiles/larkspur-nine.toml");
const TEAL: &str = include_str!("../../../../profiles/teal-router.toml");
const RECIPE: &str = include_str!("../../../../profiles/recipes/teal-router.toml");
const LARGE: usize = 32 << 20;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let dir = PathBuf::from(arguments.next().ok_or("usage: desk-benches DIR [JOBS]")?);
    let jobs: usize = arguments.next().map_or(Ok(500), |text| text.parse())?;
    let bench = dir.join("bench");
    let profiles = dir.join("profiles");
    fs::create_dir_all(profiles.join("recipes"))?;
    fs::write(profiles.join("larkspur-nine.toml"), LARKSPUR)?;
    let large = TEAL
        .replace("0x80_0000", "0x200_0000")
        .replace("W25Q64", "W25Q256FV")
        .replace("Teal router board", "Teal switch board");
    fs::write(profiles.join("teal-switch.toml"), large)?;
    fs::write(profiles.join("recipes/teal-router.toml"), RECIPE)?;

    job::demo::run(job::demo::Scene::Job, &bench, &mut Nobody)?;
    let shown = status_all(&bench, false)?.jobs.iter().map(|line| line.job.clone()).find(|job| !job.contains("return"));
    let shown = shown.ok_or("the demo left no job")?;
    let wide = large_job(&bench, &profiles)?;
    let refused = convert(&bench, &profiles, 0)?;
    append(&bench, &refused, "refused", disputed("main", 16 << 20))?;
    for number in 4..jobs {
        let job = convert(&bench, &profiles, number)?;
        if number % 3 == 0 {
            let step = SignRequest {
                step: "first-look".into(),
                job: Some(job),
                by: "Ana Ask".into(),
                ..SignRequest::default()
            };
            sign(&bench, &step, &mut Nobody)?;
        }
    }
    println!("{}", json!({ "shown": shown, "wide": wide, "refused": refused }));
    Ok(())
}

fn convert(bench: &Path, profiles: &Path, number: usize) -> Result<String, Box<dyn Error>> {
    let answers = [
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
    let request = StartRequest {
        kind: JobKind::Convert,
        profile: Some(profiles.join("larkspur-nine.toml")),
        of: None,
        kept: None,
        machine: format!("Larkspur Nine, box {number}"),
        owner: "Lantern Street repair café".into(),
        consent: "Ana Ask".into(),
        answers: answers.map(str::to_owned).to_vec(),
    };
    Ok(start(bench, &request, &mut Nobody)?.job)
}

/// A board with 32 MiB: captured, and a write of half of it that was cut off.
fn large_job(bench: &Path, profiles: &Path) -> Result<String, Box<dyn Error>> {
    let answers = [
        "unlocked=yes",
        "recovery-key=yes",
        "gate-adapter=yes",
        "label-mac=none",
        "label-serial=none",
        "limit-settings-lost=yes",
        "variant=stock",
    ];
    let request = StartRequest {
        kind: JobKind::Rescue,
        profile: Some(profiles.join("teal-switch.toml")),
        of: None,
        kept: None,
        machine: "Teal switch, cellar".into(),
        owner: "Lantern Street repair café".into(),
        consent: "Ana Ask".into(),
        answers: answers.map(str::to_owned).to_vec(),
    };
    let job = start(bench, &request, &mut Nobody)?.job;
    let mut found = teal(7).repeat(3);
    found.resize(LARGE, 0xFF);
    let mut wanted = found.clone();
    wanted[..LARGE / 2].rotate_left(1 << 20);
    let (from, to) = (put(bench, "boot as found", &found)?, put(bench, "boot wanted", &wanted)?);
    let mut captured = disputed("boot", LARGE);
    captured["content"] = json!(from);
    captured["evidence"]["differing"] = json!([]);
    append(bench, &job, "captured", captured)?;
    let erases: Vec<Value> = (0..128).map(|block| json!([block * 65_536, 65_536, 0xD8])).collect();
    append(
        bench,
        &job,
        "planned",
        json!({
            "chip": "boot", "step": "apply-boot", "from": from, "wanted": to, "range": [0, LARGE / 2],
            "touched": [[0, LARGE / 4]], "erases": erases, "programs": [[0, LARGE / 4]], "predicted_ms": 60_000.0,
        }),
    )?;
    Ok(job)
}

/// A try whose passes differ, as a clip with a loose clock contact gives it.
fn disputed(chip: &str, size: usize) -> Value {
    let stretches: Vec<[usize; 2]> = (1..24).map(|at| at * size / 24 / 4096 * 4096).map(|at| [at, at + 8192]).collect();
    json!({
        "chip": chip,
        "reseat": { "pin": 6, "signal": "CLK" },
        "evidence": {
            "accepted": false,
            "passes": [
                { "clock_hz": 12_000_000, "opcode": 3, "order": "ascending", "chunk": 65_536, "digest": false, "took_ms": 14_010 },
                { "clock_hz": 9_000_000, "opcode": 11, "order": "descending", "chunk": 49_152, "digest": false, "took_ms": 18_730 },
            ],
            "reseated": 0, "settled_sectors": 0, "differing_bits": 4712, "differing_sectors": 46, "differing": stretches,
            "diagnosis": [
                { "fault": "clock-slip", "confidence": 0.93, "where": [[0, size]], "advice": "reseat the clip at pin 6, CLK, and read again" },
                { "fault": "noise", "confidence": 0.06, "where": [], "advice": "shorten the leads; join ground a second time" },
            ],
            "error_bound_95": null, "size_measured": true,
            "reasons": ["46 sectors differ between passes, 4712 bits of them", "the differences begin inside a chunk and last to its end"],
            "remains": [],
        },
    })
}

fn put(bench: &Path, name: &str, bytes: &[u8]) -> Result<Digest, Box<dyn Error>> {
    let request = PutRequest { name: name.into(), kind: Kind::Capture, job: None, taken_at: now(), facts: json!({}) };
    Ok(Vault::open(bench)?.put(bytes, &request)?.id)
}

fn append(bench: &Path, job: &str, kind: &str, body: Value) -> Result<(), Box<dyn Error>> {
    let mut journal = Journal::open(&Vault::open(bench)?, &JobId::new(job)?, "desk-benches", &now())?;
    journal.append(kind, body, &now())?;
    Ok(())
}
