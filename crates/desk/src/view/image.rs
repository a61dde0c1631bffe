//! `/job/ID/images`, `/job/ID/image/CONTENT`: an image as strip and tree.
//!
//! A place in the tree is an address of numbers: `3.0.12` is the thirteenth structure in the first one in the fourth. `?open=3.0` makes
//! the page with that branch unfolded; `/inside/3.0` gives the branch alone, for a script that fetches it when a stretch is touched.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Router};
use job::image::explain::{Explanation, Finding, Kind, MAX_DEPTH, Node, Severity, path_of};
use job::text::size;
use job::views::contents::{JobContent, of_job};
use maud::{Markup, html};
use serde::Deserialize;

use super::cache::Cache;
use super::strip::{Stretch, class, patterns, strip, swatch};
use super::{blocks, places, words};
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;

/// Most structures that one branch shows.
const MOST: usize = 400;

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/job/{job}/images", get(images))
        .route("/job/{job}/image/{content}", get(whole))
        .route("/job/{job}/image/{content}/inside/{place}", get(inside))
}

async fn images(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let contents = {
        let job = job.clone();
        engine(move || Ok(of_job(state.bench(), &job)?)).await?
    };
    let body = html! {
        h1 { (words::IMAGES) }
        (places(&job, "images"))
        @if contents.is_empty() { p.card { (words::NO_IMAGES) } } @else {
            table.card {
                thead { tr { @for head in words::IMAGE_HEADS { th scope="col" { (head) } } } }
                tbody {
                    @for one in &contents {
                        tr {
                            th scope="row" { (one.of) }
                            td { a.target href={ "/job/" (job) "/image/" (one.content) } { (one.what) } }
                            td { (blocks::short_hash(&one.content)) }
                        }
                    }
                }
            }
            @if contents.len() > 1 { (choice(&job, &contents)) }
        }
    };
    Ok(page(words::IMAGES, &body))
}

/// A form that leads to the comparison of two.
fn choice(job: &str, contents: &[JobContent]) -> Markup {
    let select = |name: &str, label: &str, chosen: usize| {
        html! {
            label.field { span { (label) }
                select name=(name) {
                    @for (at, one) in contents.iter().enumerate() {
                        option value=(one.content) selected[at == chosen] { (one.of) ", " (one.what) }
                    }
                }
            }
        }
    };
    html! {
        section.card {
            h2 { (words::COMPARE) }
            form method="get" action={ "/job/" (job) "/compare" } {
                (select("a", words::FIRST, 0))
                (select("b", words::SECOND, 1))
                button { (words::COMPARE_DO) }
            }
        }
    }
}

#[derive(Deserialize)]
struct Open {
    open: Option<String>,
}

async fn whole(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path((job, content)): Path<(String, String)>,
    Query(open): Query<Open>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let open = open.open.as_deref().map(parsed).transpose()?.unwrap_or_default();
    let markup = engine(move || {
        let image = cache.explanation(&state, &job, &content)?;
        let what = of_job(state.bench(), &job)?.into_iter().find(|one| one.content == content);
        let title = what.map(|one| format!("{}, {}", one.of, one.what)).unwrap_or_default();
        Ok(drawn(&image, &job, &content, &title, &open))
    })
    .await?;
    Ok(page(words::IMAGES, &markup))
}

async fn inside(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path((job, content, place)): Path<(String, String, String)>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let place = parsed(&place)?;
    let markup = engine(move || {
        let image = cache.explanation(&state, &job, &content)?;
        let node = node_at(&image.structures, &place).ok_or(Fault::NotFound)?;
        let tree = Tree { image: &image, address: format!("/job/{job}/image/{content}"), open: &[] };
        let all: Vec<&Finding> = image.findings.iter().collect();
        Ok(tree.inside(node, &place, &all))
    })
    .await?;
    Ok(Html(markup.0).into_response())
}

/// The numbers of a place.
fn parsed(text: &str) -> Result<Vec<usize>, Fault> {
    let numbers = text.split('.').map(|number| number.parse::<usize>().map_err(|_| Fault::NotFound));
    let numbers = numbers.collect::<Result<Vec<_>, _>>()?;
    if numbers.len() > MAX_DEPTH { Err(Fault::NotFound) } else { Ok(numbers) }
}

fn node_at<'n>(nodes: &'n [Node], place: &[usize]) -> Option<&'n Node> {
    let (first, rest) = place.split_first()?;
    let node = nodes.get(*first)?;
    if rest.is_empty() { Some(node) } else { node_at(&node.children, rest) }
}

fn dotted(place: &[usize]) -> String {
    place.iter().map(ToString::to_string).collect::<Vec<_>>().join(".")
}

fn drawn(image: &Explanation, job: &str, content: &str, title: &str, open: &[usize]) -> Markup {
    let address = format!("/job/{job}/image/{content}");
    let tree = Tree { image, address, open };
    let stretches = stretches(image, &tree.address);
    let all: Vec<&Finding> = image.findings.iter().collect();
    let flawed = |stretch: &Stretch| {
        let here = stretch.at..stretch.at + stretch.size;
        image.findings.iter().any(|finding| finding.severity > Severity::Note && here.contains(&finding.at))
    };
    let bad: Vec<bool> = stretches.iter().map(flawed).collect();
    html! {
        h1 { (words::IMAGES) ": " (title) }
        (places(job, "images"))
        section.card {
            p { (size(image.size)) ", SHA-256 " code.long { (hex(&image.sha256)) } }
            p.quiet { (words::STRIP) }
            (strip(words::STRIP, &stretches, &bad))
            (key(&[image]))
            (proof(image))
        }
        section {
            h2 { (words::STRETCHES) }
            div.tree {
                @for (index, node) in image.structures.iter().enumerate() { (tree.node(node, &[index], &all)) }
            }
        }
        section.card {
            h2 { (words::FINDINGS) }
            @let loose: Vec<&Finding> = image.findings.iter().filter(|finding| finding.path.is_empty()).collect();
            @if image.findings.is_empty() { p { (words::NO_FINDINGS) } } @else {
                p { (image.findings.len()) ", each on its stretch above." }
            }
            (findings(&loose))
        }
        script src="/assets/view-image.js" type="module" {}
    }
}

/// The stretches of an image, leading to their places in its tree. A region is shown by what stands in it: that it is one says little.
pub(super) fn stretches(image: &Explanation, address: &str) -> Vec<Stretch> {
    let mut stretches = Vec::new();
    for (index, node) in image.structures.iter().enumerate() {
        if matches!(node.kind, Kind::Region | Kind::Partition) && !node.children.is_empty() {
            let inside = node.children.iter().enumerate();
            stretches.extend(inside.map(|(child, node)| stretch(node, &[index, child], address)));
        } else {
            stretches.push(stretch(node, &[index], address));
        }
    }
    stretches
}

fn stretch(node: &Node, place: &[usize], address: &str) -> Stretch {
    let place = dotted(place);
    Stretch {
        at: node.at,
        size: node.size,
        kind: node.kind,
        title: format!(
            "{} {}, {:#x}, {}",
            node.kind,
            node.name.as_deref().unwrap_or_default(),
            node.at,
            size(node.size)
        ),
        href: format!("{address}?open={place}#n{place}"),
    }
}

fn proof(image: &Explanation) -> Markup {
    let proof = &image.proof;
    html! {
        p {
            (job::text::about(proof.covered)) " confirmed by sums inside, " (job::text::about(proof.blank)) " blank; "
            (proof.checks_ok) " checks hold"
            @if proof.checks_failed > 0 { ", " strong { (proof.checks_failed) " fail" } }
            "."
        }
    }
}

/// The tree of one image.
struct Tree<'a> {
    image: &'a Explanation,
    /// Of the image's page.
    address: String,
    /// The place that is unfolded.
    open: &'a [usize],
}

impl Tree<'_> {
    /// One structure: a line, and beneath it what is inside, now or when it is asked for.
    fn node(&self, node: &Node, place: &[usize], around: &[&Finding]) -> Markup {
        let is_open = self.open.starts_with(place);
        let (within, _) = self.within(place, around);
        let worst = within.iter().map(|finding| finding.severity).max();
        let dotted = dotted(place);
        html! {
            details.node id={ "n" (dotted) } open[is_open] data-inside={ (self.address) "/inside/" (dotted) } {
                summary {
                    (swatch(node.kind))
                    span.at { (format!("{:#x}", node.at)) }
                    span.kind-name { (node.kind) }
                    @if let Some(name) = &node.name { span.name { (name) } }
                    span.quiet { (size(node.size)) }
                    @if let Some(worst) = worst { (flag(worst)) }
                }
                div.inside {
                    @if is_open { (self.inside(node, place, &within)) } @else {
                        p.waits { a href={ (self.address) "?open=" (dotted) "#n" (dotted) } { (words::SHOW_INSIDE) } }
                    }
                }
            }
        }
    }

    /// What is known of a structure, and the structures in it.
    fn inside(&self, node: &Node, place: &[usize], around: &[&Finding]) -> Markup {
        let (within, path) = self.within(place, around);
        let own: Vec<&Finding> = within.iter().filter(|finding| *finding.path == *path).copied().collect();
        html! {
            dl.facts {
                @if let Some(guid) = &node.guid { dt { "GUID" } dd { code { (guid.to_string()) } } }
                @if let Some(state) = node.state { dt { "State" } dd { (state) } }
                @if let Some(space) = &node.space { dt { "Unpacked from" } dd { code { (space) } } }
                dt { "SHA-256" } dd { code.long { (hex(&node.sha256)) } }
                @if !node.checks.is_empty() {
                    dt { (words::CHECKS) }
                    dd { @for check in &node.checks {
                        span.check {
                            (match check.ok { Some(true) => "✓ ", Some(false) => "✕ ", None => "○ " })
                            (check.name) " "
                            (match check.ok { Some(true) => words::HOLDS, Some(false) => words::FAILS, None => words::NOT_COVERED })
                        } " "
                    } }
                }
            }
            (findings(&own))
            @for (index, child) in node.children.iter().take(MOST).enumerate() {
                (self.node(child, &[place, &[index]].concat(), &within))
            }
            @if node.children.is_empty() && own.is_empty() { p.quiet { (words::NOTHING_INSIDE) } }
            @if node.children.len() > MOST { p { (node.children.len() - MOST) " " (words::MORE_INSIDE) } }
        }
    }

    /// Findings of the list that stand on the structure at this place, or on one inside it. Its path is only made when there is
    /// something to look for: that costs a look at all its siblings.
    fn within<'f>(&self, place: &[usize], list: &[&'f Finding]) -> (Vec<&'f Finding>, String) {
        let path = if list.is_empty() { None } else { path_of(self.image, place) };
        let Some(path) = path else { return (Vec::new(), String::new()) };
        let below = |finding: &&&Finding| {
            finding.path.strip_prefix(path.as_str()).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
        };
        (list.iter().filter(below).copied().collect(), path)
    }
}

fn findings(list: &[&Finding]) -> Markup {
    html! {
        @if !list.is_empty() {
            ul.findings { @for finding in list {
                li { (flag(finding.severity)) " " (format!("{:#x}: ", finding.at)) (finding.message) }
            } }
        }
    }
}

/// How bad a finding is, as mark and word.
fn flag(severity: Severity) -> Markup {
    let mark = match severity {
        Severity::Bad => "✕",
        Severity::Warn => "!",
        Severity::Note => "i",
    };
    html! { span class={ "flag " (severity.name()) } { (mark) " " (severity.name()) } }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The key of the strips of a page: each pattern with its word. A page has one.
pub(super) fn key(images: &[&Explanation]) -> Markup {
    let mut seen: Vec<Kind> = Vec::new();
    for stretch in images.iter().flat_map(|image| stretches(image, "")) {
        if !seen.iter().any(|kind| class(*kind) == class(stretch.kind)) {
            seen.push(stretch.kind);
        }
    }
    html! {
        svg.defs aria-hidden="true" width="0" height="0" { (patterns()) }
        ul.key { @for kind in seen { li { (swatch(kind)) " " (kind) } } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s12_a_place_is_numbers_and_nothing_else() {
        assert_eq!(parsed("3.0.12").expect("a place"), [3, 0, 12]);
        for odd in ["", ".", "3.", "..", "../..", "3/0", "-1", "99999999999999999999", &"1.".repeat(60)] {
            assert!(parsed(odd).is_err(), "{odd}");
        }
        assert!(node_at(&[], &[0]).is_none());
    }
}
