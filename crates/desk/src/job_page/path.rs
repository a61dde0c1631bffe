//! The path: every step of the job, what is done, what is next, and what the rest waits for.

use job::jobs::StepLine;
use maud::{Markup, html};

use super::Look;
use crate::words;

/// Steps that are done and stay in sight before the one in hand.
const KEPT_DONE: usize = 3;

pub(super) fn path(look: &Look) -> Markup {
    let steps: Vec<&StepLine> = look.sight.status.path.iter().filter(|step| step.standing != "skipped").collect();
    let here = look.sight.step.as_ref().and_then(|now| steps.iter().position(|step| step.id == now.id));
    let done = steps.iter().filter(|step| step.standing == "done").count();
    // What is long done is folded away, so that the step in hand stands near the top.
    let folded = here.unwrap_or(0).saturating_sub(KEPT_DONE);
    let folded = if steps[..folded].iter().all(|step| step.standing == "done") { folded } else { 0 };
    let lines = |from: usize, to: usize| {
        html! {
            ol start=(from + 1) {
                @for (index, step) in steps.iter().enumerate().take(to).skip(from) {
                    @let near = here.map_or(index == 0, |here| index.abs_diff(here) <= 1);
                    (line(look, step, Some(index) == here, near))
                }
            }
        }
    };
    html! {
        nav.path aria-label=(words::PATH) {
            h2 { (words::PATH) " " span.quiet { (words::of(done, steps.len())) } }
            input #all-steps type="checkbox";
            label.all for="all-steps" { (words::ALL_STEPS) }
            @if folded > 0 {
                details.earlier { summary { (words::done_before(folded)) } (lines(0, folded)) }
            }
            (lines(folded, steps.len()))
        }
    }
}

fn line(look: &Look, step: &StepLine, here: bool, near: bool) -> Markup {
    let possible = look.sight.also.iter().any(|(id, _)| *id == step.id);
    let (mark, word) = match step.standing {
        "done" => ("✓", words::DONE),
        _ if here => ("▶", words::NOW),
        _ if possible || step.standing == "open" => ("◇", words::POSSIBLE),
        _ => ("·", words::LATER),
    };
    html! {
        li.done[step.standing == "done"].here[here].near[near] aria-current=[here.then_some("step")] {
            span.mark aria-hidden="true" { (mark) }
            span {
                span.unseen { (word) ": " }
                @if possible && !here {
                    a href={ "?step=" (step.id) } { (step.title) }
                } @else { (step.title) }
                @if let (Some(by), Some(when)) = (&step.by, &step.when) { small { (by) ", " (words::when(when)) } }
                @if !step.chips_left.is_empty() { small { (words::LEFT) " " (step.chips_left.join(", ")) } }
            }
        }
    }
}
