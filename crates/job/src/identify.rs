//! What `chip identify` reports: the fields that the design fixes, and the same as text.

use driver::SizeMeasure;
use nor::chip::id_text;
use nor::protection::Protection;
use serde::Serialize;

use crate::kernel;
use crate::session::Session;
use crate::text::{duration, size, wrapped};

/// A chip as identified.
#[derive(Debug, Clone, Serialize)]
pub struct IdentityReport {
    /// What 9Fh answers, hexadecimal; left out through the kernel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// The unique id, hexadecimal; left out when there is none or it is not wanted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unique_id: Option<String>,
    /// Names in the catalogue.
    pub markings: Vec<String>,
    /// Who may have made it.
    pub vendor: Vec<String>,
    /// Bytes, by the sources.
    pub size: u32,
    /// Bytes, by reading; left out when the content cannot show it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured_size: Option<u32>,
    /// Bytes of a page.
    pub page: u32,
    /// Address width.
    pub address_bytes: u8,
    /// Supply, least and most; left out when no source states it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply_v: Option<[f64; 2]>,
    /// Erase types.
    pub erase: Vec<EraseTypeReport>,
    /// Chip erase.
    pub chip_erase: TimesMs,
    /// Page program.
    pub program: TimesUs,
    /// Status registers.
    pub status: Vec<u8>,
    /// Block protection.
    pub protection: ProtectionReport,
    /// Where the facts come from.
    pub sources: Vec<String>,
    /// Why it must not be written.
    pub conflicts: Vec<String>,
    /// Whether it may be written.
    pub writable: bool,
    /// What the kernel says, when the kernel drives it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kernel: Option<KernelReport>,
}

/// A flash as the kernel shows it.
#[derive(Debug, Clone, Serialize)]
pub struct KernelReport {
    /// Its name.
    pub name: String,
    /// Bytes of the erase block.
    pub erase_bytes: u32,
    /// Where it begins on its chip, when it is a part of one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<u64>,
    /// What cannot be known through the kernel.
    pub unknown: Vec<String>,
}

/// One erase type.
#[derive(Debug, Clone, Serialize)]
pub struct EraseTypeReport {
    /// Opcode.
    pub opcode: u8,
    /// Block size.
    pub size: u32,
    /// Typical time.
    pub typical_ms: f64,
    /// Longest time.
    pub max_ms: f64,
}

/// Times in milliseconds.
#[derive(Debug, Clone, Serialize)]
pub struct TimesMs {
    /// Typical.
    pub typical_ms: f64,
    /// Longest.
    pub max_ms: f64,
}

/// Times in microseconds.
#[derive(Debug, Clone, Serialize)]
pub struct TimesUs {
    /// Typical.
    pub typical_us: u64,
    /// Longest.
    pub max_us: u64,
}

/// Block protection.
#[derive(Debug, Clone, Serialize)]
pub struct ProtectionReport {
    /// `none`, `range`, `cannot-decode` or `unknown`.
    pub state: &'static str,
    /// First and last byte of each protected range.
    pub ranges: Vec<[u32; 2]>,
}

/// Makes the report; `redact` leaves the unique id out.
#[must_use]
pub fn report(session: &Session<'_>, redact: bool) -> IdentityReport {
    let (identity, facts) = (session.identity(), session.kernel_facts());
    let chip = &identity.chip;
    #[expect(clippy::cast_precision_loss, reason = "times far below 2^53 us")]
    let ms = |us: u64| us as f64 / 1000.0;
    let (state, ranges) = match identity.protection {
        Protection::None => ("none", Vec::new()),
        Protection::Range { at, len } => ("range", vec![[at, at + (len - 1)]]),
        Protection::Undecodable => ("cannot-decode", Vec::new()),
        Protection::Unknown => ("unknown", Vec::new()),
    };
    IdentityReport {
        id: Some(chip.id_text()).filter(|id| !id.is_empty()),
        unique_id: identity.unique_id.as_deref().filter(|_| !redact).map(id_text),
        markings: chip.markings.clone(),
        vendor: chip.vendor.clone(),
        size: chip.size,
        measured_size: match identity.size {
            SizeMeasure::Measured(size) => Some(size),
            SizeMeasure::Unproven => None,
        },
        page: chip.page,
        address_bytes: chip.addressing.bytes(),
        supply_v: chip.supply.map(Into::into),
        erase: chip
            .erases
            .iter()
            .map(|erase| EraseTypeReport {
                opcode: erase.opcode,
                size: erase.size,
                typical_ms: ms(erase.times.typical_us),
                max_ms: ms(erase.times.max_us),
            })
            .collect(),
        chip_erase: TimesMs { typical_ms: ms(chip.chip_erase.typical_us), max_ms: ms(chip.chip_erase.max_us) },
        program: TimesUs { typical_us: chip.program.typical_us, max_us: chip.program.max_us },
        status: identity.status.clone(),
        protection: ProtectionReport { state, ranges },
        sources: chip.sources.clone(),
        conflicts: chip.conflicts.iter().map(ToString::to_string).collect(),
        writable: chip.is_writable() && facts.is_none_or(|facts| facts.writable),
        kernel: facts.map(|facts| KernelReport {
            name: facts.name.clone(),
            erase_bytes: facts.erase_bytes,
            offset: facts.offset,
            unknown: kernel::unknown(),
        }),
    }
}

impl IdentityReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = match (&self.kernel, self.markings.as_slice()) {
            (Some(kernel), _) => format!("`{}`, through the kernel", kernel.name),
            (None, []) => "a chip".to_owned(),
            (None, markings) => markings.join(" or "),
        };
        if let Some(id) = &self.id {
            text += &format!(", id {id}");
        }
        if !self.vendor.is_empty() {
            text += &format!(", by {}", self.vendor.join(" or "));
        }
        let measured = match self.measured_size {
            Some(measured) if measured == self.size => "measured".to_owned(),
            Some(measured) => format!("but reading shows {}", size(u64::from(measured))),
            None if self.kernel.is_some() => "as the kernel has it".to_owned(),
            None => "as declared, its content cannot show it".to_owned(),
        };
        line(&mut text, "size", &format!("{}, {measured}", size(u64::from(self.size))));
        if let Some([min, max]) = self.supply_v {
            line(&mut text, "supply", &format!("{min} to {max} V"));
        }
        if let Some(kernel) = &self.kernel {
            if let Some(offset) = kernel.offset {
                line(&mut text, "place", &format!("a part of its chip, from {offset:#x} on"));
            }
            line(&mut text, "erase", &format!("blocks of {}", size(u64::from(kernel.erase_bytes))));
            for unknown in &kernel.unknown {
                line(&mut text, "unknown", unknown);
            }
            line(
                &mut text,
                "writing",
                if self.writable { "allowed by the kernel" } else { "not allowed by the kernel" },
            );
            return text;
        }
        line(&mut text, "address", &format!("{} bytes", self.address_bytes));
        #[expect(clippy::cast_precision_loss, reason = "times far below 2^53 us")]
        let (typical, max) = (self.program.typical_us as f64 / 1000.0, self.program.max_us as f64 / 1000.0);
        let page = format!("{}, {} (at most {})", size(u64::from(self.page)), duration(typical), duration(max));
        line(&mut text, "page", &page);
        for erase in &self.erase {
            let times = format!("{} (at most {})", duration(erase.typical_ms), duration(erase.max_ms));
            line(&mut text, "erase", &format!("{:02X}h {}, {times}", erase.opcode, size(u64::from(erase.size))));
        }
        let status: Vec<_> = self.status.iter().map(|byte| format!("{byte:02x}")).collect();
        let ranges: Vec<_> = self.protection.ranges.iter().map(|[at, last]| format!(" {at:#x} to {last:#x}")).collect();
        let protection = format!("{}{}, status {}", self.protection.state, ranges.concat(), status.join(" "));
        line(&mut text, "protection", &protection);
        if let Some(unique_id) = &self.unique_id {
            line(&mut text, "unique id", unique_id);
        }
        for source in &self.sources {
            line(&mut text, "source", source);
        }
        for conflict in &self.conflicts {
            line(&mut text, "conflict", conflict);
        }
        let writing = match (self.writable, self.protection.state) {
            (false, _) => "not allowed: read only for firmhand",
            (true, "range") => "allowed outside what is protected",
            (true, "cannot-decode") => "not before its protection is off",
            (true, _) => "allowed",
        };
        line(&mut text, "writing", writing);
        text
    }
}

fn line(text: &mut String, name: &str, value: &str) {
    *text += "\n";
    *text += &wrapped(&format!("  {name:<11} {value}"), 14, 80);
}
