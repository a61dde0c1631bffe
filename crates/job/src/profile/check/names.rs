//! Names: ids are unique, and what a table names is there and fits.

use std::collections::HashMap;

use image::check::Place;
use nor::catalogue;

use super::super::document::{Document, Spot, shown};
use super::super::model::{
    ChipSpec, Content, GateKind, ImageSource, JobKind, PoweredBy, Profile, Step, StepKind, Supply, SupplyKind, Target,
};
use super::super::parse::{Draft, Spots};

/// Reports names that are there twice, missing, or do not fit.
pub(super) fn check(document: &Document<'_>, draft: &Draft) {
    let (profile, spots) = (&draft.profile, &draft.spots);
    whole(document, profile, spots);
    fn ids<T>(items: &[T], id: impl Fn(&T) -> &str) -> impl Iterator<Item = &str> {
        items.iter().map(id)
    }
    supply_order(document, &profile.supplies, spots);
    unique(document, "gate", ids(&profile.gates, |gate| &gate.id), &spots.gates);
    unique(document, "option", ids(&profile.options, |option| &option.id), &spots.options);
    unique(document, "setting", ids(&profile.settings, |setting| &setting.id), &spots.settings);
    unique(document, "variant", ids(&profile.variants, |variant| &variant.id), &spots.variants);
    unique(document, "controller", ids(&profile.controllers, |controller| &controller.id), &spots.controllers);
    unique(document, "limit", ids(&profile.limits, |limit| &limit.id), &spots.limits);
    unique(document, "step", ids(&profile.steps, |step| &step.id), &spots.steps);
    unique(document, "supply", ids(&profile.supplies, |supply| &supply.id), &spots.supplies);
    // An image is for a chip or a span, so these share one set of names.
    let parts = ids(&profile.chips, |chip| &chip.id).chain(ids(&profile.spans, |span| &span.id));
    let places: Vec<Spot> = spots.chips.iter().chain(&spots.spans).copied().collect();
    unique(document, "chip or span", parts, &places);
    for (chip, spot) in profile.chips.iter().zip(&spots.chips) {
        markings(document, chip, *spot);
    }
    for (at, span) in profile.spans.iter().enumerate() {
        let chips: Vec<&ChipSpec> = span.chips.iter().filter_map(|id| profile.chip(id)).collect();
        if span.chips.len() < 2 {
            document.error(
                spots.spans[at],
                "chips",
                format!("span `{}` has not even two chips", span.id),
                "a span is for several chips that hold one image; take it out otherwise",
            );
        } else if named(document, spots.spans[at], "chips", &span.chips, |id| profile.chip(id).is_some(), "chip") {
            let sum: u64 = chips.iter().map(|chip| u64::from(chip.size)).sum();
            if sum != span.size {
                let what =
                    format!("span `{}` is said to have {} bytes, and its chips have {sum} (S8)", span.id, span.size);
                document.error(spots.spans[at], "size", what, "mend the span's size, or the sizes of its chips");
            }
        }
    }
    for (at, variant) in profile.variants.iter().enumerate() {
        for (image, spot) in variant.images.iter().zip(&spots.images[at]) {
            let (id, size) = size_of(profile, &image.target);
            match (size, &image.source) {
                (None, _) => document.error(
                    *spot,
                    key_of(&image.target),
                    format!("`{}` is not there", shown(id)),
                    "name a chip or span of this profile",
                ),
                (Some(size), ImageSource::File(file)) if file.size != size => {
                    let what = format!("the image has {} bytes and `{id}` has {size} (S8)", file.size);
                    document.error(
                        *spot,
                        "size",
                        what,
                        "an image that is not the whole chip needs a recipe that says where it goes",
                    );
                }
                _ => {}
            }
        }
    }
    for (controller, spot) in profile.controllers.iter().zip(&spots.controllers) {
        let (id, size) = size_of(profile, &controller.target);
        let end = match &controller.wanted.place {
            Place::Stretch(range) => range.end,
            Place::Structure(..) => 0,
        };
        match size {
            None => document.error(
                *spot,
                key_of(&controller.target),
                format!("`{}` is not there", shown(id)),
                "name a chip or span of this profile",
            ),
            Some(size) if end > size => {
                let what = format!("the stretch ends at {end:#x} and `{id}` at {size:#x}");
                document.error(*spot, "at", what, "give a place inside the image");
            }
            Some(_) => {}
        }
    }
    for (step, spot) in profile.steps.iter().zip(&spots.steps) {
        of_step(document, profile, step, *spot);
    }
}

/// The id of a chip or span, and its bytes when it is there.
fn size_of<'p>(profile: &Profile, target: &'p Target) -> (&'p String, Option<u64>) {
    match target {
        Target::Chip(id) => (id, profile.chip(id).map(|chip| u64::from(chip.size))),
        Target::Span(id) => (id, profile.span(id).map(|span| span.size)),
    }
}

/// Reports supplies that share a place in the order of switching off.
fn supply_order(document: &Document<'_>, supplies: &[Supply], spots: &Spots) {
    for (at, supply) in supplies.iter().enumerate() {
        if let Some(other) = supplies[..at].iter().find(|other| other.order == supply.order) {
            let what = format!("supplies `{}` and `{}` both have place {}", other.id, supply.id, supply.order);
            document.error(spots.supplies[at], "order", what, "give each its own place in the order of switching off");
        }
    }
}

/// What a profile as a whole has to have, and what somebody should look at.
fn whole(document: &Document<'_>, profile: &Profile, spots: &Spots) {
    if profile.supplies.is_empty() {
        document.error(
            spots.root,
            "supply",
            "no source of power is named (S7)",
            "write a `[[supply]]` for each thing that feeds the machine",
        );
    }
    if profile.chips.is_empty() {
        document.error(
            spots.root,
            "chip",
            "no chip is named",
            "write a `[[chip]]` for each chip that the work touches",
        );
    }
    if profile.steps.is_empty() {
        document.error(
            spots.root,
            "step",
            "there are no steps",
            "write the steps of the work, from intake to handover",
        );
    }
    let board = spots.board.unwrap_or(spots.root);
    if profile.sources.is_empty() {
        document.warning(
            board,
            "source",
            "nobody is named who tried this procedure",
            "write a `[[source]]` with who, when and which versions",
        );
    }
    if !profile.gates.iter().any(|gate| matches!(gate.kind, GateKind::Fused { .. })) {
        document.warning(
            board,
            "gate",
            "nothing says whether the hardware checks its firmware (S16); unknown is taken",
            "write a `[[gate]]` of kind \"fused\"",
        );
    }
    let updates = profile.steps.iter().any(|step| !step.may_write.is_empty());
    for (supply, spot) in profile.supplies.iter().zip(&spots.supplies) {
        if updates && supply.kind == SupplyKind::Battery && supply.charge_min.is_none() {
            let what = format!(
                "a step writes chips on the machine's own power, and battery `{}` has no least charge",
                supply.id
            );
            document.warning(*spot, "charge_min", what, "give the least charge in percent");
        }
    }
}

/// What the catalogue says of a marking has to agree with the profile (safety rule S4).
fn markings(document: &Document<'_>, chip: &ChipSpec, spot: Spot) {
    if chip.markings.is_empty() {
        document.warning(
            spot,
            "markings",
            format!("no marking of chip `{}` is named", chip.id),
            "give the markings that were seen on it",
        );
    }
    for marking in &chip.markings {
        let entries = catalogue::by_marking(marking);
        if entries.is_empty() {
            continue;
        }
        if !entries.iter().any(|entry| entry.supply.common(chip.supply_v).is_some()) {
            let what = format!(
                "chip `{}` is said to take {}, and {} takes {} (S4)",
                chip.id,
                chip.supply_v,
                shown(marking),
                entries[0].supply
            );
            document.error(spot, "supply_v", what, "look at the marking again; give the voltage of its data sheet");
        } else if !entries.iter().any(|entry| entry.size == chip.size) {
            let what = format!(
                "chip `{}` is said to have {} bytes, and {} has {}",
                chip.id,
                chip.size,
                shown(marking),
                entries[0].size
            );
            document.error(spot, "size", what, "mend the size or the marking");
        }
    }
}

fn of_step(document: &Document<'_>, profile: &Profile, step: &Step, spot: Spot) {
    let id = &step.id;
    for kind in &step.only_for {
        if !profile.board.jobs.contains(kind) {
            let what = format!("step `{id}` is for {} jobs, and `[board] jobs` has none", kind.as_str());
            document.error(spot, "only_for", what, "add the kind to `[board] jobs`, or take it out here");
        }
    }
    for need in &step.needs {
        let what = match profile.step(need) {
            None => format!("step `{id}` needs `{}`, which is not there", shown(need)),
            Some(other) if other.id == *id => format!("step `{id}` needs itself"),
            Some(other) if !JobKind::ALL.iter().any(|kind| step.belongs_to(*kind) && other.belongs_to(*kind)) => {
                format!("step `{id}` needs `{need}`, and no job has both")
            }
            Some(_) => continue,
        };
        document.error(spot, "needs", what, "name steps of this profile that belong to the same job");
    }
    let chips: Vec<String> = step.chip.iter().cloned().collect();
    let spans: Vec<String> = step.span.iter().cloned().collect();
    let is_chip = |id: &str| profile.chip(id).is_some();
    named(document, spot, "chip", &chips, is_chip, "chip");
    named(document, spot, "span", &spans, |id| profile.span(id).is_some(), "span");
    named(document, spot, "may_write", &step.may_write, is_chip, "chip");
    named(document, spot, "supplies", &step.supplies, |id| profile.supply(id).is_some(), "supply");
    named(document, spot, "settings", &step.settings, |id| profile.setting(id).is_some(), "setting");
    let switches = matches!(step.kind, StepKind::SuppliesOn | StepKind::SuppliesOff);
    if switches
        && let Some(chip) = step.chip.as_deref().and_then(|id| profile.chip(id))
        && chip.powered_by == PoweredBy::Link
    {
        let what =
            format!("step `{id}`: chip `{}` is fed by the link, and exactly one source may feed it (S4)", chip.id);
        document.error(spot, "chip", what, "take `chip` out, or mend the chip's `powered_by`");
    }
    images_of(document, profile, step, spot);
}

/// Every variant has to have what compose and apply steps want of it.
fn images_of(document: &Document<'_>, profile: &Profile, step: &Step, spot: Spot) {
    let wants_recipe = match (step.kind, step.content) {
        (StepKind::Compose, _) => true,
        (StepKind::Apply, Some(Content::Variant)) => false,
        _ => return,
    };
    let (key, wanted) = if wants_recipe { ("kind", "recipe") } else { ("content", "file") };
    if profile.variants.is_empty() {
        let what = format!("step `{}` wants an image, and there is no variant", step.id);
        document.error(spot, key, what, "write a `[[variant]]` with an image for each chip");
    }
    for variant in &profile.variants {
        let image = variant.images.iter().find(|image| match &image.target {
            Target::Chip(chip) => step.chip.as_ref() == Some(chip),
            Target::Span(span) if step.span.is_some() => step.span.as_ref() == Some(span),
            Target::Span(span) => {
                profile.span(span).is_some_and(|span| span.chips.iter().any(|chip| step.chip.as_ref() == Some(chip)))
            }
        });
        let fits = image.is_some_and(|image| matches!(image.source, ImageSource::Recipe(_)) == wants_recipe);
        if !fits {
            let what = format!(
                "step `{}` wants a {wanted} for `{}`, and variant `{}` has none",
                step.id,
                step.chip.as_ref().or(step.span.as_ref()).map_or("", |id| id),
                variant.id
            );
            document.error(spot, key, what, format!("give the variant an image with a `{wanted}` there"));
        }
    }
}

/// Reports names that are not there, or there twice; tells whether all was well.
fn named(
    document: &Document<'_>,
    spot: Spot,
    key: &str,
    names: &[String],
    is_there: impl Fn(&str) -> bool,
    what: &str,
) -> bool {
    let mut well = true;
    for (at, name) in names.iter().enumerate() {
        let wrong = if !is_there(name) {
            format!("there is no {what} `{}`", shown(name))
        } else if names[..at].contains(name) {
            format!("{what} `{name}` is named twice")
        } else {
            continue;
        };
        well = false;
        document.error(spot, key, wrong, format!("name each {what} once, by its `id`"));
    }
    well
}

fn unique<'a>(document: &Document<'_>, what: &str, ids: impl Iterator<Item = &'a str>, spots: &[Spot]) {
    let mut seen: HashMap<&str, ()> = HashMap::new();
    for (id, spot) in ids.zip(spots) {
        if seen.insert(id, ()).is_some() {
            document.error(*spot, "id", format!("{what} `{id}` is there twice"), "give each an id of its own");
        }
    }
}

fn key_of(target: &Target) -> &'static str {
    match target {
        Target::Chip(_) => "chip",
        Target::Span(_) => "span",
    }
}
