//! Checks between the tables of a profile: names exist, steps have an order, the order keeps the interlocks.
//!
//! `parse` has checked each table by itself. The checks here run only when it found no error, so that none of them reports
//! what follows from another mistake. The interlocks ([`walk`]) need an order of the steps ([`order`]), and that needs names
//! ([`names`]).

mod names;
mod order;
mod walk;

use super::document::Document;
use super::parse::Draft;

/// Checks a draft and puts its steps into an order in which they can be done: that of the file where it can be kept. Supplies are put into
/// the order of switching off.
pub(super) fn check(document: &Document<'_>, draft: &mut Draft) {
    names::check(document, draft);
    if document.has_errors() {
        return;
    }
    let Some(order) = order::order(document, draft) else { return };
    walk::check(document, draft, &order);
    draft.profile.steps = order.iter().map(|index| draft.profile.steps[*index].clone()).collect();
    draft.profile.supplies.sort_by_key(|supply| supply.order);
}
