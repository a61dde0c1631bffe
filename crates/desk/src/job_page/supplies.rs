//! The supplies bar: every source of power of the machine as a lamp. A lamp has a mark, a word and an edge of its own for each state,
//! so that no tone has to be told from another.

use job::procedure::{Power, SupplyView};
use maud::{Markup, html};

use super::Look;
use crate::words;

pub(super) fn bar(look: &Look) -> Markup {
    let sight = &look.sight;
    html! {
        section.supplies aria-label=(words::SUPPLIES) {
            b.head aria-hidden="true" { (words::SUPPLIES) }
            ul.lamps { @for supply in &sight.status.supplies { (lamp(supply)) } }
            @if !sight.contacts.is_empty() {
                p.contacts { (words::CONTACTS_ON) " " (sight.contacts.join(", ")) }
            }
        }
    }
}

fn lamp(supply: &SupplyView) -> Markup {
    let (class, word) = match supply.power {
        Power::On => ("lit", words::LIT),
        Power::Off => ("dark", words::DARK),
        Power::Unknown => ("unknown", words::UNKNOWN),
    };
    html! {
        li.lamp.(class) { (mark(supply.power)) span { (supply.name) } b { (word) } }
    }
}

/// Lit: a full disc with rays. Dark: an empty ring, struck through. Unknown: a broken ring with a question mark.
fn mark(power: Power) -> Markup {
    html! {
        svg viewBox="0 0 20 20" aria-hidden="true" fill="none" stroke="currentColor" stroke-width="2" stroke-linecap="round" {
            @match power {
                Power::On => {
                    circle cx="10" cy="10" r="4.5" fill="currentColor" {}
                    path d="M10 1v2M10 17v2M1 10h2M17 10h2M3.6 3.6l1.4 1.4M15 15l1.4 1.4M16.4 3.6 15 5M5 15l-1.4 1.4" {}
                }
                Power::Off => { circle cx="10" cy="10" r="7" {} path d="M4 16 16 4" {} }
                Power::Unknown => {
                    circle cx="10" cy="10" r="8.5" stroke-dasharray="3 3.5" {}
                    path d="M7.6 8a2.4 2.4 0 1 1 3.6 2.1c-.8.4-1.2.9-1.2 1.7M10 14.6v.1" {}
                }
            }
        }
    }
}
