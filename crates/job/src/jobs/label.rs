//! `job record --label`: a sticker for the machine, with a QR code that any phone reads without this program.
//!
//! What stands on it is the same in print and in the code: the model, the job, and the first digits of what each chip was left with, so
//! that whoever opens the machine years later finds its record, and can compare a chip with the sticker when there is no record any
//! more. Whose it is does not stand there (S15): a sticker is read by everybody.

use std::fmt::Write as _;
use std::path::Path;

use qrcode::{EcLevel, QrCode};
use serde::Serialize;

use super::record::{RecordReport, record};
use crate::error::JobError;
use crate::files;

/// Digits of a hash on the label: enough that two contents of a workshop do not share them.
const DIGITS: usize = 16;
/// The label in units of a tenth of a millimetre: 89 by 36 mm, a common size of address labels.
const WIDTH: u32 = 890;
const HEIGHT: u32 = 360;

/// A sticker for a machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// Its lines, in print and in the code.
    pub lines: Vec<String>,
    /// The drawing: SVG, black on white.
    pub svg: String,
}

/// A label that was written into a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LabelReport {
    /// The job.
    pub job: String,
    /// The file.
    pub file: String,
    /// What the code says, line by line.
    pub lines: Vec<String>,
}

/// Draws the label of a job; of the only open one when none is named.
///
/// # Errors
/// [`super::JobsError::WhichJob`], [`JobError`].
pub fn label(bench: &Path, job: Option<&str>) -> Result<Label, JobError> {
    Ok(Label::of(&record(bench, job, true)?))
}

/// Writes the label of a job into a new file.
///
/// # Errors
/// As [`label`]; [`JobError::Io`] for a file that is there already and holds something else, or cannot be written.
pub fn label_into(bench: &Path, job: Option<&str>, file: &Path) -> Result<LabelReport, JobError> {
    let report = record(bench, job, true)?;
    let label = Label::of(&report);
    files::write_new(file, label.svg.as_bytes())?;
    Ok(LabelReport { job: report.job, file: file.display().to_string(), lines: label.lines })
}

impl LabelReport {
    /// Where the label is and what stands on it, for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let lines: String = self.lines.iter().map(|line| format!("\n  {line}")).collect();
        format!("label of job {} written to {}{lines}", self.job, self.file)
    }
}

impl Label {
    fn of(record: &RecordReport) -> Self {
        let lines = lines(record);
        let svg = drawing(&lines);
        Self { lines, svg }
    }
}

fn lines(record: &RecordReport) -> Vec<String> {
    let mut lines = vec![record.board.clone(), format!("job {}", record.job)];
    let day = |when: &str| when.chars().take(10).collect::<String>();
    let last = record.steps.iter().filter_map(|step| step.when.as_deref()).max();
    let state = if record.sealed { "closed" } else { "open" };
    lines.push(format!("{}, {state} {}", record.kind, last.map(day).unwrap_or_default()).trim_end().to_owned());
    for chip in &record.chips {
        let left = chip.as_left.as_ref().map(|left| (left, "left"));
        let Some((content, what)) = left.or_else(|| chip.as_found.as_ref().map(|found| (found, "found"))) else {
            continue;
        };
        // SHA-256 is what others can compute; what the vault has forgotten is known by its own name alone.
        let (sum, digits) = match &content.sha256 {
            Some(sha256) => ("SHA-256", sha256),
            None => ("BLAKE3", &content.content),
        };
        lines.push(format!("{} as {what}: {sum} {}", chip.chip, &digits[..DIGITS.min(digits.len())]));
    }
    lines
}

fn drawing(lines: &[String]) -> String {
    let text = lines.join("\n");
    // M bears 15 % of damage (ISO/IEC 18004), for a sticker inside a machine. What is too long for any code is not, by far, what a label says.
    let code = QrCode::with_error_correction_level(text.as_bytes(), EcLevel::M);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}mm\" height=\"{1}mm\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\">\
         <title>Label of the machine</title>\n<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/>\n",
        WIDTH / 10,
        HEIGHT / 10
    );
    let mut left = 24;
    if let Ok(code) = code {
        left = HEIGHT + 12;
        let side = u32::try_from(code.width()).expect("a code has at most 177 modules");
        // The standard wants four light modules around the code.
        let whole = side + 8;
        let mut path = String::new();
        for (at, color) in (0..).zip(code.to_colors()) {
            if color == qrcode::Color::Dark {
                write!(path, "M{} {}h1v1h-1z", at % side + 4, at / side + 4).expect("a string takes everything");
            }
        }
        svg += &format!(
            "<svg width=\"{HEIGHT}\" height=\"{HEIGHT}\" viewBox=\"0 0 {whole} {whole}\" shape-rendering=\"crispEdges\">\
             <path d=\"{path}\" fill=\"#000\"/></svg>\n"
        );
    }
    svg += "<g fill=\"#000\" font-family=\"sans-serif\">\n";
    let pitch = (HEIGHT - 60) / u32::try_from(lines.len().max(5)).unwrap_or(5);
    for (row, line) in (0u32..).zip(lines) {
        let (size, weight) = if row == 0 { (40, "bold") } else { (24, "normal") };
        // A long line is drawn narrower, so that it stays on the label.
        let room = WIDTH - left - 20;
        let letters = u32::try_from(line.chars().count()).unwrap_or(u32::MAX);
        let fit = if letters.saturating_mul(size) * 6 / 10 > room {
            format!(" textLength=\"{room}\" lengthAdjust=\"spacingAndGlyphs\"")
        } else {
            String::new()
        };
        svg += &format!(
            "<text x=\"{left}\" y=\"{}\" font-size=\"{size}\" font-weight=\"{weight}\"{fit}>{}</text>\n",
            60 + row * pitch,
            escaped(line)
        );
    }
    svg += "</g>\n</svg>\n";
    svg
}

fn escaped(text: &str) -> String {
    let shown = text.chars().map(|letter| if letter.is_control() { ' ' } else { letter });
    let mut escaped = String::new();
    for letter in shown {
        match letter {
            '&' => escaped += "&amp;",
            '<' => escaped += "&lt;",
            '>' => escaped += "&gt;",
            '"' => escaped += "&quot;",
            _ => escaped.push(letter),
        }
    }
    escaped
}
