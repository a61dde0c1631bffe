//! Random journals: whatever is written, the rules hold in every state on the way.
//!
//! The checks share no code with the procedure: they look at the journal and at what the state says, and pair wire and
//! unwire steps by themselves.

use std::collections::BTreeSet;

use job::procedure::{Standing, State};
use job::profile::model::*;
use job::vault::Entry;
use serde_json::{Value, json};

use super::bench::{Bench, content, profile};

#[test]
fn s7_s13_no_journal_leads_to_a_state_that_the_rules_exclude() {
    let only = std::env::var("FIRMHAND_SEED").ok().and_then(|seed| seed.parse::<u64>().ok());
    let seeds = only.map_or(1..=40, |seed| seed..=seed);
    let mut finished = 0;
    for seed in seeds.clone() {
        match run(seed) {
            Ok(complete) => finished += u32::from(complete),
            Err(why) => {
                panic!("{why}\n  again: FIRMHAND_SEED={seed} cargo test -p job --test procedure no_journal_leads")
            }
        }
    }
    assert!(only.is_some() || finished > 3, "only {finished} of the journals got to the end: they try too little");
}

fn run(seed: u64) -> Result<bool, String> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut profile = profile();
    if random.bool() {
        // With nothing to come before them, only the interlocks keep the power away.
        profile.steps.iter_mut().filter(|step| step.kind == StepKind::PowerUp).for_each(|step| step.needs.clear());
    }
    let mut bench = Bench::new(profile, JobKind::ALL[random.usize(..3)]);
    let mut before = BTreeSet::new();
    for _ in 0..160 {
        act(&mut bench, &mut random);
        let state = bench.state();
        let done: BTreeSet<String> = ids(&state, |standing| matches!(standing, Standing::Done(_)));
        no_power_on_a_contact(&bench, &state, &done)?;
        off_where_it_must_be(&bench, &state)?;
        entries_for_all(&bench, &done)?;
        // Power opens a supplies-off step again, and a write the start that something to be fitted leans on.
        let written = bench.entries.last().is_some_and(|entry| ["planned", "applied"].contains(&entry.kind.as_str()));
        let may_open = |id: &String| match bench.profile.step(id).map(|step| step.kind) {
            Some(StepKind::SuppliesOff) => true,
            Some(StepKind::PowerUp) => written,
            _ => false,
        };
        if let Some(lost) = before.difference(&done).find(|id| !may_open(id)) {
            return Err(format!("`{lost}` was done and is no more, after {:?}", bench.entries.last()));
        }
        before = done;
    }
    Ok(bench.state().is_complete())
}

/// Two times of three something sensible, else anything at all.
fn act(bench: &mut Bench, random: &mut fastrand::Rng) {
    let steps = bench.profile.steps.clone();
    let any = steps[random.usize(..steps.len())].clone();
    let sensible: Vec<String> = bench.state().next().iter().map(|step| step.id.clone()).collect();
    if random.u8(..3) < 2 {
        let waiting = steps.iter().find(|step| {
            matches!(step.kind, StepKind::Wire | StepKind::Unwire)
                && matches!(bench.codes(&step.id).as_slice(), ["link-not-gone"])
        });
        let picked = if sensible.is_empty() || waiting.is_some() && random.bool() {
            waiting.cloned()
        } else {
            let id = &sensible[random.usize(..sensible.len())];
            steps.into_iter().find(|step| step.id == *id)
        };
        if let Some(step) = picked {
            return bench.do_step(&step);
        }
    }
    let chip = ["main", "port", "third"][random.usize(..3)];
    let named: Value = if random.bool() { json!(any.id) } else { Value::Null };
    let by = ["Ana", "Ben", ""][random.usize(..3)];
    let (kind, body) = match random.u8(..13) {
        0 => ("link-gone", json!({})),
        1 => ("link-back", json!({})),
        2 => ("link-held", json!({ "by": by })),
        3 => ("power-up", json!({ "step": named, "seen": random.bool(), "by": by })),
        4 => ("identified", json!({ "step": named, "chip": chip })),
        5 => ("captured", json!({ "step": named, "chip": chip, "content": content(random.u8(..3)) })),
        6 => ("applied", json!({ "step": named, "chip": chip, "content": content(random.u8(..3)) })),
        7 => ("verified", json!({ "step": named, "chip": chip, "differing_bytes": random.u8(..2) })),
        8 => ("step-begun", json!({ "step": any.id, "by": by })),
        9 => ("step-done", json!({ "step": any.id, "by": by })),
        10 => ("gate", json!({ "id": "fuse", "answer": "signed", "by": by })),
        _ => ("signed", json!({ "step": any.id, "by": by, "measured": 3.0 })),
    };
    bench.add(kind, body);
}

fn ids(state: &State<'_>, counts: impl Fn(&Standing) -> bool) -> BTreeSet<String> {
    state.steps().into_iter().filter(|view| counts(&view.standing)).map(|view| view.step.id.clone()).collect()
}

/// Each contact of the profile with what takes it off.
const CONTACTS: [(&str, &str); 3] =
    [("wire-main", "unwire-main"), ("wire-port", "unwire-port"), ("wire-port-2", "unwire-port-2")];

fn no_power_on_a_contact(bench: &Bench, state: &State<'_>, done: &BTreeSet<String>) -> Result<(), String> {
    let on = CONTACTS.iter().find(|(wire, unwire)| done.contains(*wire) && !done.contains(*unwire));
    let Some((wire, _)) = on else { return Ok(()) };
    for step in bench.profile.steps.iter().filter(|step| matches!(step.kind, StepKind::PowerUp | StepKind::SuppliesOn))
    {
        if state.may_do(&step.id).is_ok() {
            return Err(format!("`{}` is allowed while the contact of `{wire}` is on", step.id));
        }
    }
    Ok(())
}

/// Whether the last word of the journal on power allows what the state allows.
fn off_where_it_must_be(bench: &Bench, state: &State<'_>) -> Result<(), String> {
    let gives_power = |entry: &&Entry| {
        let kind = entry.body["step"].as_str().and_then(|id| bench.profile.step(id)).map(|step| step.kind);
        entry.kind == "power-up"
            || matches!(entry.kind.as_str(), "signed" | "step-done" | "step-begun") && kind == Some(StepKind::PowerUp)
    };
    let last_power = bench.entries.iter().filter(gives_power).map(|entry| entry.seq).next_back();
    let last_off = bench.entries.iter().filter(|entry| {
        let is_off = |id: &str| bench.profile.step(id).is_some_and(|step| step.kind == StepKind::SuppliesOff);
        matches!(entry.kind.as_str(), "signed" | "step-done")
            && entry.body["by"] != ""
            && entry.body["step"].as_str().is_some_and(is_off)
    });
    let last_off = last_off.map(|entry| entry.seq).next_back();
    let off = last_off.is_some() && last_off > last_power;
    let leaning = bench.profile.steps.iter().filter(|step| step.kind.wants_supplies_off());
    for step in leaning {
        if !off && state.may_do(&step.id).is_ok() {
            return Err(format!("`{}` is allowed, and no source was signed off since the last power-up", step.id));
        }
    }
    Ok(())
}

fn entries_for_all(bench: &Bench, done: &BTreeSet<String>) -> Result<(), String> {
    for id in done {
        let step = bench.profile.step(id).expect("a step of the profile");
        let kinds: &[&str] = match step.kind {
            StepKind::Intake => &["intake"],
            StepKind::Identify => &["identified"],
            StepKind::Capture => &["captured"],
            StepKind::Fill | StepKind::Apply => &["applied"],
            StepKind::Verify => &["verified"],
            StepKind::PowerUp => &["power-up", "signed", "step-done"],
            StepKind::Wire | StepKind::Unwire => &["signed"],
            _ => &["signed", "step-done"],
        };
        let has = bench.entries.iter().any(|entry| {
            let named = entry.body["step"] == json!(id) || entry.body["chip"] == json!(step.chip);
            kinds.contains(&entry.kind.as_str()) && (named || step.kind == StepKind::Intake)
        });
        if !has {
            return Err(format!("`{id}` is said to be done, and no entry says so"));
        }
    }
    Ok(())
}
