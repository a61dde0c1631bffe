//! `/job/ID/reads`: each try of a capture, pass by pass; where passes differ, what that looks like, and which contact to look at.

use axum::Router;
use axum::extract::{Path, State};
use axum::response::Response;
use axum::routing::get;
use job::profile::ChipSpec;
use job::text::{counted, duration};
use job::views::clip::drawing;
use job::views::reads::{Try, TryPass, tries};
use maud::{Markup, PreEscaped, html};

use super::{blocks, places, wiring, words};
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;

/// Cells in a row of the map of differences, and rows.
const ACROSS: u32 = 64;
const DOWN: u32 = 8;

pub(super) fn routes() -> Router<AppState> {
    Router::new().route("/job/{job}/reads", get(reads))
}

async fn reads(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let markup = engine(move || {
        let chips = job::views::chips(state.bench(), &job)?;
        let tries = tries(state.bench(), &job, None)?;
        Ok(html! {
            h1 { (words::READS) }
            (places(&job, "reads"))
            @if tries.is_empty() { p.card { (words::NO_READS) } }
            @for one in tries.iter().rev() {
                (card(&job, one, chips.iter().find(|chip| chip.id == one.chip)))
            }
        })
    })
    .await?;
    Ok(page(words::READS, &markup))
}

fn card(job: &str, one: &Try, chip: Option<&ChipSpec>) -> Markup {
    html! {
        section.card.try {
            h2 { (one.chip) ", " (blocks::time(&one.when)) }
            @if one.accepted { p.verdict.good { span.mark aria-hidden="true" { "✓" } " " (words::TRUSTED) } }
            @else { p.verdict.bad { span.mark aria-hidden="true" { "✕" } " " (words::REFUSED) } }
            (agreement(one))
            (passes(one.seq, &one.passes))
            @if !one.disputed.is_empty() {
                h3 { (words::WHERE_DIFFERENT) }
                @if let Some(chip) = chip { (differences(&one.disputed, chip.size)) }
                p { a href={ "/job/" (job) "/map/" (one.chip) } { (words::MAP) } }
            }
            @if !one.diagnosis.is_empty() {
                h3 { (words::LOOKS_LIKE) }
                ul.faults { @for found in &one.diagnosis {
                    li {
                        b { (found.fault) } ", " (percent(found.confidence)) " " (words::BELIEF)
                        meter min="0" max="1" value=(found.confidence) aria-label={ (found.fault) " " (words::BELIEF) } {}
                        @if !found.advice.is_empty() { br; (words::DO_NEXT) " " (found.advice) }
                    }
                } }
            }
            @if let Some(named) = &one.contact {
                h3 { (words::LOOK_AT) }
                p.said { (wiring::contact(named)) }
                @if let Some(svg) = chip.and_then(|chip| drawing(chip, &[], Some(named))) { div.clip-frame { (PreEscaped(svg)) } }
            }
            (sentences(words::FOUND, &one.reasons))
            (sentences(words::REMAINS, &one.remains))
        }
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}

/// What the passes agree on, in sentences.
fn agreement(one: &Try) -> Markup {
    html! {
        p {
            (counted_passes(one.passes.len()))
            @if one.differing_sectors > 0 {
                "; " (counted(one.differing_bits, "bit")) " in " (counted(one.differing_sectors, "sector")) " of 4 KiB differ. "
            } @else { "; none differs. " }
            @if one.settled_sectors > 0 { (one.settled_sectors) " " (words::SETTLED) " " }
            (if one.size_measured { words::SIZE_MEASURED } else { words::SIZE_DECLARED }) " "
            @if let Some(bound) = one.error_bound_95 { (words::BOUND) " " (format!("{bound:.1e}")) " " (words::BOUND_END) }
        }
    }
}

fn counted_passes(passes: usize) -> String {
    if passes == 1 { "1 pass".into() } else { format!("{passes} passes") }
}

fn passes(seq: u64, passes: &[TryPass]) -> Markup {
    html! {
        @if !passes.is_empty() {
            div.wide tabindex="0" role="region" aria-label={ "Passes, entry " (seq) } {
            table {
                thead { tr { @for head in words::PASS_HEADS { th scope="col" { (head) } } } }
                tbody { @for (number, pass) in (1..).zip(passes) {
                    tr {
                        th scope="row" { (number) }
                        td { @if pass.clock_hz == 0 { (words::THROUGH_KERNEL) } @else { (format!("{:02X}h, {}", pass.opcode, clock(pass.clock_hz))) } }
                        td { (pass.order) }
                        td { (if pass.digest { words::DIGESTS } else { words::BYTES }) }
                        td { (took(pass.took_ms)) }
                    }
                } }
            }
            }
        }
    }
}

fn clock(hz: u64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "a clock far below 2^53 Hz")]
    let mhz = hz as f64 / 1e6;
    format!("{mhz:.2} MHz")
}

fn took(ms: u64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of a pass")]
    let ms = ms as f64;
    duration(ms)
}

/// The chip in a few hundred cells; one is crossed when passes differ anywhere in it.
fn differences(disputed: &[[u32; 2]], size: u32) -> Markup {
    let cells = ACROSS * DOWN;
    let each = (size / cells).max(1);
    let hit = |cell: u32| {
        let (from, end) = (cell * each, (cell + 1) * each);
        disputed.iter().any(|[first, last]| *first < end && from < *last)
    };
    let marked: Vec<u32> = (0..cells).filter(|cell| hit(*cell)).collect();
    let words =
        format!("{} of {cells} stretches of {} have differences", marked.len(), job::text::about(u64::from(each)));
    html! {
        svg.differences viewBox=(format!("0 0 {} {}", ACROSS * 10, DOWN * 10)) role="img" aria-label=(words) {
            rect.frame x="0" y="0" width=(ACROSS * 10) height=(DOWN * 10) {}
            @for cell in marked {
                @let (x, y) = (cell % ACROSS * 10, cell / ACROSS * 10);
                path.flaw d=(format!("M{} {}l8 8m0 -8l-8 8", x + 1, y + 1)) {}
            }
        }
        p.quiet { (words) ", first address top left." }
        ul.ranges { @for [first, end] in disputed.iter().take(8) { li { code { (format!("{first:#x} to {end:#x}")) } } }
            @if disputed.len() > 8 { li { "and " (disputed.len() - 8) " more stretches" } } }
    }
}

fn sentences(title: &str, list: &[String]) -> Markup {
    html! {
        @if !list.is_empty() {
            details { summary { (title) } ul { @for text in list { li { (text) } } } }
        }
    }
}
