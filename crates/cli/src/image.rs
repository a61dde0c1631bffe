//! The `image` commands.

use std::path::Path;

use job::JobError;
use job::compose::{ComposeRequest, compose};
use job::image::diff::diff;
use job::image::explain::render;
use job::image::select::Form;
use job::images::{CheckRequest, Named, check_image, checked_text, take_into};
use job::text::{page, size};
use serde_json::json;

use crate::args::{Global, ImageCommand};
use crate::output::Output;

/// Runs an image command.
pub fn run(command: ImageCommand, global: &Global, bench: &Path, output: &Output) -> Result<(), JobError> {
    match command {
        ImageCommand::Explain { image, levels } => {
            let image = Named::open(bench, &image)?;
            let explanation = image.explain(global.redact);
            output.result(&explanation.to_json(&image.name), || render(&explanation, 80, levels));
        }
        ImageCommand::Check { image, stock, chips, profile, of, job } => {
            let image = Named::open(bench, &image)?;
            let checked = check_image(bench, &image, &CheckRequest { stock, chips, profile, of, job })?;
            output.result(&checked, || page(&checked_text(&checked)));
            if !checked.holds() {
                output.says_no();
            }
        }
        ImageCommand::Diff { first, second } => {
            let (first, second) = (Named::open(bench, &first)?, Named::open(bench, &second)?);
            let found = diff(&first.bytes, &second.bytes);
            output.result(&found, || found.render(80));
            if !found.is_same() {
                output.says_no();
            }
        }
        ImageCommand::Take { image, list: Some(typed), .. } => {
            let selectors = Named::open(bench, &image)?.selectors(&typed);
            output.result(&json!({ "selectors": selectors }), || selectors.join("\n"));
        }
        ImageCommand::Take { image, selector, out, decoded, list: None } => {
            let (selector, out) = selector.zip(out).expect("the parser asks for both");
            let form = if decoded { Form::Decoded } else { Form::Stored };
            let report = take_into(bench, &image, &selector, form, &out)?;
            output.result(&report, || {
                let what = if decoded { "content" } else { "bytes as stored" };
                page(&format!("{} in {}: {what}\n  SHA-256 {}", size(report.size), out.display(), report.sha256))
            });
        }
        ImageCommand::Compose { recipe, job, capture, donor, mac, with, out } => {
            let redact = global.redact;
            let request = ComposeRequest { recipe, job, capture, donor, mac, with, out, redact };
            let report = compose(bench, &request)?;
            output.result(&report, || {
                let mut text = format!("composed {}: {}", size(report.size), report.content);
                for line in report.steps.iter().chain(&report.findings) {
                    text += &format!("\n  {line}");
                }
                if let (Some(address), Some(says)) = (&report.address, &report.address_says) {
                    text += &format!("\n  network address {address}, {says}");
                }
                page(&format!("{text}\n  SHA-256 {}", report.sha256))
            });
        }
    }
    Ok(())
}
