//! Whole jobs from intake to handover.

use job::profile::model::JobKind;

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
