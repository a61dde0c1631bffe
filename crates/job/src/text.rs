//! Numbers and results as people read them.

use image::explain::Proof;

use crate::capture::{CaptureReport, EvidenceReport};
use crate::report::{ApplyReport, VerifyReport};

/// A byte count: in MiB or KiB where it is whole, else in bytes.
#[must_use]
pub fn size(bytes: u64) -> String {
    const MIB: u64 = 1 << 20;
    const KIB: u64 = 1 << 10;
    match bytes {
        0 => "0 bytes".into(),
        1 => "1 byte".into(),
        _ if bytes.is_multiple_of(MIB) => format!("{} MiB", bytes / MIB),
        _ if bytes.is_multiple_of(KIB) => format!("{} KiB", bytes / KIB),
        _ => format!("{bytes} bytes"),
    }
}

/// A count with its noun: `1 byte`, `3 sectors`.
#[must_use]
pub fn counted(count: u64, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

/// A byte count in the unit that fits, rounded to a hundredth.
#[must_use]
pub fn about(bytes: u64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "rounded to a hundredth")]
    let count = bytes as f64;
    match bytes {
        0..1024 => size(bytes),
        1024..1_048_576 if !bytes.is_multiple_of(1024) => format!("{:.1} KiB", count / 1024.0),
        1_048_576.. if !bytes.is_multiple_of(1 << 20) => format!("{:.2} MiB", count / 1_048_576.0),
        _ => size(bytes),
    }
}

/// Breaks text at blanks so that no line is longer than `width`; further lines begin with `indent` blanks.
#[must_use]
pub fn wrapped(text: &str, indent: usize, width: usize) -> String {
    let mut lines = String::new();
    let mut column = 0;
    for (index, word) in text.split(' ').enumerate() {
        let letters = word.chars().count();
        if column > indent && column + 1 + letters > width {
            lines.push('\n');
            lines.extend(std::iter::repeat_n(' ', indent));
            column = indent;
        } else if index > 0 {
            lines.push(' ');
            column += 1;
        }
        lines += word;
        column += letters;
    }
    lines
}

/// Wraps every line of a text at 80 columns; what goes on in a further line stands two deeper.
#[must_use]
pub fn page(text: &str) -> String {
    let lines: Vec<String> = text
        .lines()
        .map(|line| {
            let indent = line.len() - line.trim_start_matches(' ').len();
            wrapped(line, indent + 2, 80)
        })
        .collect();
    lines.join("\n")
}

/// A time given in milliseconds.
#[must_use]
pub fn duration(ms: f64) -> String {
    match ms {
        _ if ms < 1.0 => format!("{:.0} us", ms * 1000.0),
        _ if ms < 1000.0 => format!("{ms:.0} ms"),
        _ if ms < 120_000.0 => format!("{:.1} s", ms / 1000.0),
        _ => format!("{:.1} min", ms / 60_000.0),
    }
}

/// The result of a write, in S3's sense: only said when everything was read again and nothing differs.
#[must_use]
pub fn applied(report: &ApplyReport) -> String {
    let mut text =
        format!("{} holds the wanted content: {} read again, 0 bytes differ", report.chip, size(report.verified_bytes));
    if report.digested_sectors > 0 {
        text += &digest_remark(report.digested_sectors);
    }
    text
}

/// The result of a comparison.
#[must_use]
pub fn verified(report: &VerifyReport) -> String {
    let mut text = format!("{} holds this image: {} read, 0 bytes differ", report.chip, size(report.len));
    if report.digested_sectors > 0 {
        text += &digest_remark(report.digested_sectors);
    }
    text
}

fn digest_remark(sectors: u32) -> String {
    format!(" ({sectors} sectors by CRC-32 on the link: a chance of 2^-32 for each that a difference goes unseen)")
}

/// The result of a capture.
#[must_use]
pub fn captured(report: &CaptureReport) -> String {
    format!(
        "captured {} of {}: {} passes agree, size {}",
        size(u64::from(report.size)),
        report.chip,
        report.evidence.passes.len(),
        if report.evidence.size_measured { "measured" } else { "as declared, not proven by the content" }
    )
}

/// What is behind a capture: the passes, one line each, then what the sums inside the content say.
#[must_use]
pub fn passes(evidence: &EvidenceReport) -> Vec<String> {
    let passes = evidence.passes.iter();
    let proof = evidence.proof.iter().map(proof);
    passes
        .enumerate()
        .map(|(index, pass)| {
            #[expect(clippy::cast_precision_loss, reason = "milliseconds of a pass")]
            let took = duration(pass.took_ms as f64);
            let by = match pass.clock_hz {
                0 => "through the kernel".to_owned(),
                hz => format!("{:02X}h at {:.2} MHz", pass.opcode, f64::from(hz) / 1e6),
            };
            format!(
                "pass {}: {by}, {}, {} in {took}",
                index + 1,
                pass.order,
                if pass.digest { "digested on the link" } else { "every byte" },
            )
        })
        .chain(proof)
        .collect()
}

/// What sums inside a content confirm of it.
fn proof(proof: &Proof) -> String {
    let Proof { covered, decoded, checks_ok, checks_failed, .. } = *proof;
    if checks_ok + checks_failed == 0 {
        return "proof: no sum inside the content confirms any of it".into();
    }
    let failed = match checks_failed {
        0 => String::new(),
        // Shipped images have such; they are no reason against a capture (rule 5).
        _ => format!(", {checks_failed} fail in every pass"),
    };
    format!(
        "proof: {} confirmed by sums inside, {} unpacked whole; {} hold{}{failed}",
        about(covered),
        about(decoded),
        counted(checks_ok, "check"),
        if checks_ok == 1 { "s" } else { "" }
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_short_and_exact() {
        assert_eq!(size(16 << 20), "16 MiB");
        assert_eq!(size(4096), "4 KiB");
        assert_eq!(size(4097), "4097 bytes");
        assert_eq!(size(1), "1 byte");
    }

    #[test]
    fn long_lines_break_at_blanks() {
        assert_eq!(wrapped("  name  one two three", 4, 14), "  name  one\n    two three");
        assert_eq!(wrapped("  averylongword next", 2, 8), "  averylongword\n  next");
    }

    #[test]
    fn times_have_a_fitting_unit() {
        assert_eq!(duration(0.704), "704 us");
        assert_eq!(duration(64.0), "64 ms");
        assert_eq!(duration(41_000.0), "41.0 s");
        assert_eq!(duration(240_000.0), "4.0 min");
    }
}
