//! `/job/ID/wiring`: each chip from above with its wires, what the profile says of it, and the contact that reads have named.

use axum::Router;
use axum::extract::{Path, State};
use axum::response::Response;
use axum::routing::get;
use job::jobs::sight;
use job::link_wiring::{Case, drawing as programmers_end};
use job::profile::{ChipSpec, Package, PoweredBy, Reach};
use job::text::size;
use job::views::clip::{drawing, order_on, package_name, signal_does};
use job::views::far_end::{FarEnd, HeaderPin, far_end};
use job::views::reads::{NamedContact, Try, tries};
use maud::{Markup, PreEscaped, html};

use super::tested::Tested;
use super::{blocks, places, words};
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::links::offered;
use crate::page::page;
use crate::state::AppState;

pub(super) fn routes() -> Router<AppState> {
    Router::new().route("/job/{job}/wiring", get(wiring))
}

async fn wiring(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let markup = engine(move || {
        let id = job_id(&job)?;
        let chips = job::views::chips(state.bench(), &job)?;
        let tries = tries(state.bench(), &job, None)?;
        let sight = sight(state.bench(), &id, None)?;
        // The link that was last seen for this job; before one was, the only one that there is.
        let usable = || offered(&state).into_iter().filter(|link| link.remedy.is_none() && !link.is_virtual);
        let only = || usable().next().filter(|_| usable().count() == 1).map(|link| link.link);
        let link = sight.link.or_else(only);
        let wired = sight.wired;
        let tested = |chip: &str| state.tests().last(&id, chip).filter(|_| wired.iter().any(|wired| wired == chip));
        Ok(html! {
            h1 { (words::WIRING) }
            (places(&job, "wiring"))
            @for chip in &chips { (card(&job, chip, link.as_deref(), named_last(&tries, &chip.id), tested(&chip.id).as_ref())) }
        })
    })
    .await?;
    Ok(page(words::WIRING, &markup))
}

/// The contact that the last try of a chip named; none once a capture was accepted after it.
pub(super) fn named_last<'t>(tries: &'t [Try], chip: &str) -> Option<&'t NamedContact> {
    tries.iter().rev().find(|one| one.chip == chip)?.contact.as_ref()
}

fn card(
    job: &str,
    chip: &ChipSpec,
    link: Option<&str>,
    named: Option<&NamedContact>,
    tested: Option<&Tested>,
) -> Markup {
    let pins = tested.map(|tested| tested.pins.as_slice()).unwrap_or_default();
    html! {
        section.card.wiring {
            h2 { (words::WIRES_OF) " " (chip.id) }
            div.wiring-cols {
                div.clip-frame {
                    @match drawing(chip, pins, named) {
                        Some(svg) => (PreEscaped(svg)),
                        None => p { (words::NO_DRAWING) },
                    }
                    @if let Some(tested) = tested { p { (words::TESTED) " " (blocks::time(&tested.when)) "." } }
                    @if let Some(named) = named {
                        p.said { (words::NAMED_HERE) " " (contact(named)) " "
                            a href={ "/job/" (job) "/reads" } { (words::READS) } }
                    }
                }
                div {
                    h3 { (words::FACTS) }
                    ul.cautions { @for caution in cautions(chip) { li { (caution) } } }
                    (facts(chip))
                    h3 { (words::ORDER_ON) }
                    ol.wires { @for wire in order_on() {
                        @if wire.signal == "VCC" && chip.powered_by != PoweredBy::Link {
                            li { s { (wire.clip_pin) " " (wire.signal) } ", stays off" }
                        } @else {
                            li { b { (wire.signal) } ", pin " (if chip.package == Package::Soic16 { wire.wide_pin } else { wire.clip_pin })
                                ", " (signal_does(wire.signal)) }
                        }
                    } }
                    p { (words::ORDER_OFF) }
                }
            }
            (other_end(chip, link))
        }
    }
}

/// Where the wires go to, by the link.
fn other_end(chip: &ChipSpec, link: Option<&str>) -> Markup {
    html! {
        @match far_end(link) {
            FarEnd::Board => @if let Some(case) = case(chip.package) {
                details { summary { (words::PROGRAMMERS_END) } div.paper { (PreEscaped(programmers_end(case))) } }
            },
            FarEnd::Header(pins) => {
                h3 { (words::HEADERS_END) " " (link.unwrap_or_default()) }
                p { (words::HEADER_TOLD) }
                table {
                    thead { tr { th { (words::CHIPS_PIN) } th { (words::SIGNAL) } th { (words::HEADERS_PIN) } th { (words::WHAT_IT_IS) } } }
                    tbody { @for HeaderPin { wire, pin, is } in pins { tr {
                        td { (if chip.package == Package::Soic16 { wire.wide_pin } else { wire.clip_pin }) }
                        th scope="row" { (wire.signal) }
                        @if wire.signal == "VCC" && chip.powered_by != PoweredBy::Link { td { (words::STAYS_OFF) } td {} }
                        @else { td { @if let Some(pin) = pin { b { (pin) } } } td { (is) } }
                    } } }
                }
            }
            FarEnd::NoWires => p.said { (words::NO_WIRES) },
        }
    }
}

/// A contact in words: `pin 6, CLK`.
pub(super) fn contact(named: &NamedContact) -> Markup {
    html! { b { "pin " (named.pin) ", " (named.signal) } " (" (signal_does(&named.signal)) ")" }
}

fn cautions(chip: &ChipSpec) -> Vec<&'static str> {
    let mut cautions = vec![words::UNPLUGGED, words::GROUND_FIRST, words::ONE_SUPPLY, words::PIN_ONE];
    if chip.supply_v.max_mv < 2700 {
        cautions.insert(0, words::LOW_VOLTAGE);
    }
    cautions.push(words::LOCAL_RULES);
    cautions
}

fn facts(chip: &ChipSpec) -> Markup {
    let fed = match chip.powered_by {
        PoweredBy::Link => words::FED_BY_LINK,
        PoweredBy::BoardStandby => words::FED_BY_BOARD,
        PoweredBy::BenchSupply => words::FED_BY_BENCH,
    };
    let reached = match chip.reach {
        Reach::Clip => "a clip on the leads",
        Reach::SpringProbe => "a spring probe on the pads",
        Reach::SolderedWires => "soldered wires",
        Reach::Header => "a header on the board",
        Reach::Desoldered => "a socket: the chip is taken off",
    };
    html! {
        dl.facts {
            dt { (words::VOLTAGE) } dd { b { (chip.supply_v) } }
            dt { (words::FED_BY) } dd { (fed) }
            dt { (words::REACHED_BY) } dd { (reached) }
            dt { (words::PACKAGE) } dd { (package_name(chip.package)) ", " (size(u64::from(chip.size)))
                @if !chip.markings.is_empty() { ", " (chip.markings.join(" or ")) } }
            dt { (words::SITS) } dd { (chip.place) }
            @if let Some(covered) = &chip.covered { dt { (words::COVERED) } dd { (covered) } }
        }
    }
}

fn case(package: Package) -> Option<Case> {
    match package {
        Package::Soic8 => Some(Case::Soic8),
        Package::Soic16 => Some(Case::Soic16),
        Package::Wson8 => Some(Case::Wson8),
        Package::Other => None,
    }
}
