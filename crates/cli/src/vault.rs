//! The `vault` commands.

use std::path::Path;

use job::intake::proof_lines;
use job::text::{page, size};
use job::vault::{Filter, JobId, Manifest, Progress};
use job::{Front, JobError, News, export, now, open_bench};
use serde_json::{Value, json};

use crate::args::VaultCommand;
use crate::face::Face;
use crate::output::Output;

/// Runs a vault command.
pub fn run(command: VaultCommand, bench: &Path, output: &Output, face: &mut Face) -> Result<(), JobError> {
    let vault = open_bench(bench)?;
    match command {
        VaultCommand::List { job } => {
            let job = job.map(|job| JobId::new(&job)).transpose()?;
            let listing = vault.list(&Filter { job, ..Filter::default() })?;
            let unreadable: Vec<String> = listing.unreadable.iter().map(ToString::to_string).collect();
            output.result(&json!({ "contents": listing.items, "unreadable": unreadable }), || {
                if listing.items.is_empty() {
                    return "the vault is empty".into();
                }
                let mut text = String::new();
                for item in &listing.items {
                    let job = item.job.as_ref().map_or("-", JobId::as_str);
                    text += &format!(
                        "{}  {:<7}  {:>8}  {}\n                {}, job {job}\n",
                        item.id.short(),
                        item.kind.as_str(),
                        size(item.size),
                        item.name,
                        item.taken_at
                    );
                }
                text
            });
            if let Some(first) = listing.unreadable.into_iter().next() {
                return Err(first.into());
            }
        }
        VaultCommand::Show { content } => {
            let manifests = vault.show(&vault.find(&content)?)?;
            let values: Vec<Value> = manifests.iter().map(|manifest| shown(manifest, output.redact)).collect();
            output.result(&json!({ "manifests": values }), || {
                values.iter().map(|value| page(&shown_text(value))).collect::<Vec<_>>().join("\n")
            });
        }
        VaultCommand::Export { content, file, replace } => {
            let id = vault.find(&content)?;
            export(&vault, &id, &file, replace)?;
            let manifests = vault.show(&id)?;
            let manifest = manifests.first().expect("a content that was found has a manifest");
            let report = json!({ "content": id, "sha256": manifest.sha256, "size": manifest.size, "file": file });
            output.result(&report, || {
                format!("{} written to {}, every hash checked", size(manifest.size), file.display())
            });
        }
        VaultCommand::Scrub { repair } => {
            let mut begun = false;
            let mut progress = |progress: Progress| {
                if !begun {
                    begun = true;
                    face.news(&News::Begins { phase: "checking objects", total: progress.total });
                }
            };
            let report = if repair { vault.repair(&now(), &mut progress) } else { vault.scrub(&mut progress) }?;
            if begun {
                face.news(&News::Ends);
            }
            let damaged: Vec<Value> = report
                .damaged
                .iter()
                .map(|damage| {
                    let error = damage.error.to_string();
                    json!({ "object": damage.object, "error": error, "repairable": damage.repairable })
                })
                .collect();
            let value = json!({
                "sound": report.is_sound(),
                "packs": report.packs,
                "manifests": report.manifests,
                "journals": report.journals,
                "notes": report.notes,
                "content_bytes": report.content_bytes,
                "damaged": damaged,
                "repaired": report.repaired,
                "unreferenced_packs": report.unreferenced.len(),
                "leftovers": report.leftovers.len(),
                "torn_journals": report.torn,
            });
            output.result(&value, || {
                let mut text = format!(
                    "{} contents, {} packs, {} journals: {} read, {}",
                    report.manifests,
                    report.packs,
                    report.journals,
                    size(report.content_bytes),
                    if report.is_sound() { "every hash holds" } else { "DAMAGE FOUND" }
                );
                for repaired in &report.repaired {
                    text += &format!("\n  repaired: {}: {}", repaired.object, repaired.done);
                }
                for damage in &report.damaged {
                    let can = if damage.repairable { "repairable" } else { "not repairable" };
                    text += &format!("\n  {can}: {}", damage.error);
                }
                for torn in &report.torn {
                    text += &format!("\n  journal {torn}: cut off in its last entry; the next opening puts that right");
                }
                if !report.unreferenced.is_empty() || !report.leftovers.is_empty() {
                    text += &format!(
                        "\n  left by writes that were cut off, harmless: {} packs, {} files",
                        report.unreferenced.len(),
                        report.leftovers.len()
                    );
                    if !report.leftovers.is_empty() {
                        text += "; `vault scrub --repair` takes unfinished files away";
                    }
                }
                text
            });
            // The worst first: of what cannot be repaired the person must hear.
            if let Some(worst) = report.damaged.into_iter().min_by_key(|damage| damage.repairable) {
                return Err(worst.error.into());
            }
        }
        VaultCommand::Forget { job, signed, note } => {
            let job = JobId::new(&job)?;
            let report = vault.forget(&job, &signed, &note, &now())?;
            let value = json!({
                "job": job,
                "signed": signed,
                "contents": report.contents,
                "chunks_removed": report.chunks_removed,
                "bytes_removed": report.bytes_removed,
                "resumed": report.resumed,
                "note": report.note,
            });
            output.result(&value, || {
                let kept = report.contents.iter().filter(|content| content.shared).count();
                page(&format!(
                    "job {job} is forgotten: {} contents, {kept} of them stay because others hold them too\n  note {} says who \
                     signed and why",
                    report.contents.len(),
                    report.note
                ))
            });
        }
    }
    Ok(())
}

/// A manifest for showing: without the list of chunks, and without ids of a single machine when they are not wanted.
fn shown(manifest: &Manifest, redact: bool) -> Value {
    let mut value = serde_json::to_value(manifest).expect("a manifest is JSON");
    if let Some(fields) = value.as_object_mut() {
        fields.remove("chunks");
        fields.insert("chunk_runs".into(), json!(manifest.chunks.len()));
    }
    if redact && let Some(chip) = value.pointer_mut("/facts/chip").and_then(Value::as_object_mut) {
        chip.remove("unique_id");
    }
    if redact && let Some(facts) = value.pointer_mut("/facts").and_then(Value::as_object_mut) {
        for address in ["address", "address_drawn"] {
            facts.remove(address);
        }
    }
    value
}

/// A manifest for people: what it is, then what was kept beside it.
fn shown_text(manifest: &Value) -> String {
    let text = |pointer: &str| manifest.pointer(pointer).and_then(Value::as_str).map(str::to_owned);
    let bytes = manifest["size"].as_u64().unwrap_or_default();
    let name = text("/name").unwrap_or_default();
    let mut lines = vec![format!("{name}: {}, {}", text("/kind").unwrap_or_default(), size(bytes))];
    for (label, pointer) in [("BLAKE3", "/blake3"), ("SHA-256", "/sha256"), ("taken", "/taken_at"), ("job", "/job")] {
        lines.extend(text(pointer).map(|value| format!("  {label:<9} {value}")));
    }
    if let Some(id) = text("/facts/chip/id") {
        let unique = text("/facts/chip/unique_id").map(|unique| format!(", unique id {unique}")).unwrap_or_default();
        lines.push(format!("  chip      id {id}{unique}"));
    }
    if let Some(evidence) = manifest.pointer("/facts/evidence") {
        let accepted = if evidence["accepted"] == json!(true) { "accepted" } else { "refused" };
        let passes = evidence["passes"].as_array().map_or(0, Vec::len);
        lines.push(format!("  evidence  {accepted}, {passes} passes"));
        let reasons = evidence["reasons"].as_array().into_iter().flatten().filter_map(Value::as_str);
        lines.extend(reasons.map(|reason| format!("            {reason}")));
    }
    if let Some(proofs) = manifest.pointer("/facts/intake") {
        lines.extend(proof_lines(proofs).into_iter().map(|line| format!("  intake    {line}")));
        let papers = [("list", "/list"), ("signature", "/signature_file"), ("key", "/key_file")];
        let kept = papers.iter().filter_map(|(what, pointer)| {
            let content = proofs.pointer(&format!("{pointer}/content"))?.as_str()?;
            Some(format!("  {what:<9} kept as {}", content.get(..12).unwrap_or(content)))
        });
        lines.extend(kept);
    }
    let steps = manifest.pointer("/facts/steps").and_then(Value::as_array).into_iter().flatten();
    lines.extend(steps.filter_map(Value::as_str).map(|step| format!("  composed  {step}")));
    lines.join("\n")
}
