//! Whole jobs from intake to handover.

use std::path::Path;

use job::profile::{JobKind, Profile};

use super::bench::{Bench, profile};

#[test]
fn a_job_done_in_the_order_of_its_profile_ends() {
    for kind in JobKind::ALL {
        let mut bench = Bench::new(profile(), kind);
        bench.until("handover");
        assert!(!bench.state().is_complete());
        bench.sign("handover");
        let state = bench.state();
        assert!(state.is_complete() && state.next().is_empty(), "{kind:?}");
        assert!(state.notes().is_empty(), "{:?}", state.notes());
    }
}

#[test]
fn the_handover_names_what_is_left() {
    let mut bench = Bench::new(profile(), JobKind::Convert);
    bench.until("memory");
    let blocked = bench.state().may_do("handover").expect_err("not yet");
    assert!(blocked.to_string().contains("still to do: memory, cell, close"), "{blocked}");
}

#[test]
fn the_scenarios_profiles_lead_to_their_handover() {
    for name in ["larkspur-nine.toml", "teal-router.toml"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../profiles").join(name);
        let profile = Profile::load(&path).expect("the project's profile");
        for kind in profile.board.jobs.clone() {
            let mut bench = Bench::fresh(profile.clone(), kind);
            bench.add("intake", serde_json::json!({ "by": "Ana" }));
            for gate in &profile.gates {
                let answer = if gate.id == "fused" { "signed" } else { "yes" };
                bench.add("gate", serde_json::json!({ "id": gate.id, "answer": answer, "by": "Ana" }));
            }
            bench.until("handover");
            bench.sign("handover");
            let state = bench.state();
            assert!(state.is_complete() && state.notes().is_empty(), "{name}, {kind:?}: {:?}", state.notes());
        }
    }
}
