//! The order of steps: each after those it needs, and otherwise as the file has them.

use std::collections::HashMap;

use super::super::document::Document;
use super::super::model::Step;
use super::super::parse::Draft;

/// Returns the steps' indices in an order in which they can be done; none when they need each other in a circle, which is
/// reported as a chain.
///
/// Always the first step of the file whose needs are met: a file whose order can be kept is kept.
pub(super) fn order(document: &Document<'_>, draft: &Draft) -> Option<Vec<usize>> {
    let steps = &draft.profile.steps;
    let index: HashMap<&str, usize> = steps.iter().enumerate().map(|(at, step)| (step.id.as_str(), at)).collect();
    let mut placed = vec![false; steps.len()];
    let mut order = Vec::with_capacity(steps.len());
    while order.len() < steps.len() {
        let met = |step: &Step| step.needs.iter().all(|need| placed[index[need.as_str()]]);
        let Some(next) = (0..steps.len()).find(|at| !placed[*at] && met(&steps[*at])) else {
            let circle = circle(steps, &index, &placed);
            let mut chain: Vec<String> = circle.iter().map(|at| format!("`{}` needs ", steps[*at].id)).collect();
            chain.push(format!("`{}`", steps[circle[0]].id));
            let what = format!("steps need each other in a circle: {}", chain.concat());
            document.error(draft.spots.steps[circle[0]], "needs", what, "take one of these needs out");
            return None;
        };
        placed[next] = true;
        order.push(next);
    }
    Some(order)
}

/// A circle among the steps that could not be placed, beginning with its first in the file.
fn circle(steps: &[Step], index: &HashMap<&str, usize>, placed: &[bool]) -> Vec<usize> {
    let mut at = placed.iter().position(|placed| !placed).expect("a step is left");
    let mut path: Vec<usize> = Vec::new();
    // Each step that is left needs another that is left, so this walk meets itself.
    while !path.contains(&at) {
        path.push(at);
        let needs = steps[at].needs.iter().map(|need| index[need.as_str()]);
        at = needs.into_iter().find(|need| !placed[*need]).expect("a step that is left waits for one that is left");
    }
    let begin = path.iter().position(|step| *step == at).expect("the walk met itself");
    let mut circle = path.split_off(begin);
    let first = circle.iter().enumerate().min_by_key(|(_, step)| **step).map_or(0, |(place, _)| place);
    circle.rotate_left(first);
    circle
}
