//! What the machine says: each chip as the profile and the journal know it, the images, and the ways to the pictures of them.

use job::jobs::{ChipSight, Deed};
use job::text::size;
use maud::{Markup, html};

use super::Look;
use crate::links;
use crate::page::form;
use crate::state::AppState;
use crate::words;

pub(super) fn machine(state: &AppState, look: &Look) -> Markup {
    let job = &look.sight.status.job;
    html! {
        h2 { (words::MACHINE_SAYS) }
        @for chip in &look.sight.chips { (card(job, chip, look.sight.wired.contains(&chip.chip))) }
        @if !look.sight.wired.is_empty() && look.sight.deed != Deed::Closed { (contacts(state, look)) }
        section.card {
            h3 { (words::PICTURES_OF) }
            ul {
                li { a href={ "/job/" (job) "/wiring" } { (words::WIRING) } }
                li { a href={ "/job/" (job) "/reads" } { (words::READS) } }
                li { a href={ "/job/" (job) "/images" } { (words::IMAGES) } }
                li { a href={ "/job/" (job) "/record" } { (words::RECORD) } }
            }
            @if !look.sight.composed.is_empty() {
                dl.facts {
                    @for (of, content) in &look.sight.composed {
                        dt { (words::COMPOSED) " " (of) }
                        dd { a.mono href={ "/job/" (job) "/image/" (content) } { (short(content)) } }
                    }
                }
            }
        }
        section.card {
            h3 { (look.sight.status.board) }
            dl.facts {
                @if let Some(owner) = &look.sight.owner { dt { (words::OWNER) } dd { (owner) } }
                dt { (words::KIND) } dd { (words::kind(look.sight.status.kind)) }
                dt { (words::ENTRIES) } dd { (look.entries) }
            }
            @for note in &look.sight.status.notes { p.quiet { (words::entry(note.seq)) ": " (note.text) } }
        }
    }
}

fn card(job: &str, chip: &ChipSight, wired: bool) -> Markup {
    html! {
        section.card {
            h3 { (chip.chip) ", " (size(u64::from(chip.size))) @if wired { " " span.tag { (words::CONTACT_ON) } } }
            p.quiet { (chip.place) }
            @if chip.cut_off { p.noway { (words::WRITE_CUT_OFF) } }
            @if let Some(ended) = chip.ended.as_ref().filter(|_| !chip.cut_off) { p { (words::LAST_ENDED) " " (ended) } }
            dl.facts {
                dt { (words::MARKINGS) } dd { (chip.markings.join(" / ")) ", " (chip.supply) }
                dt { (words::SAYS) }
                dd {
                    @match &chip.identified {
                        Some((id, markings)) => { code { (id) } " " (markings.join(" / ")) }
                        None => (words::NOT_ASKED),
                    }
                }
                dt { (words::CAPTURES) }
                dd {
                    @if chip.captures.is_empty() { (words::NO_CAPTURE) }
                    @for capture in &chip.captures {
                        div {
                            a.mono href={ "/job/" (job) "/image/" (capture.content) } { (short(&capture.content)) }
                            " " (words::passes(capture.passes)) ", " (words::when(&capture.when))
                            @if let Some(bound) = capture.error_bound_95 { br; small.quiet { (words::bound(bound)) } }
                        }
                    }
                    @for reason in &chip.refused { div.bad { (reason) } }
                }
                @if let Some(applied) = &chip.applied {
                    dt { (words::HOLDS) }
                    dd { a.mono href={ "/job/" (job) "/image/" (applied) } { (short(applied)) } }
                }
            }
            p { a href={ "/job/" (job) "/map/" (chip.chip) } { (words::CHIP_MAP) } }
        }
    }
}

/// A line test and the live watch, while a contact is on.
fn contacts(state: &AppState, look: &Look) -> Markup {
    let job = &look.sight.status.job;
    let chip = look.sight.wired.first().map(String::as_str).unwrap_or_default();
    let link = links::choice(&look.links, look.sight.link.as_deref(), chip, false);
    html! {
        details.card {
            summary { (words::CONTACTS) }
            p { (words::CONTACTS_TOLD) }
            (form(state, &format!("/job/{job}/check"), &html! {
                (link)
                div.deeds {
                    button type="submit" name="how" value="watch" { (words::WATCH) }
                    button type="submit" name="how" value="test" { (words::LINE_TEST) }
                }
            }))
        }
    }
}

fn short(content: &str) -> &str {
    content.get(..12).unwrap_or(content)
}
