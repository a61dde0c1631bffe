//! What the chip commands that write or compare end with: reports that are JSON and text at once.

use nor::plan::{Costs, Plan};
use serde::Serialize;
use serde_json::{Value, json};
use vault::Digest;

use crate::record::ranges_json;
use crate::text::{about, counted, duration};

/// What apply, fill and restore end with.
#[derive(Debug, Clone, Serialize)]
pub struct ApplyReport {
    /// The job.
    pub job: String,
    /// The chip's name.
    pub chip: String,
    /// The capture that brings the content before back; none with `--no-capture`.
    pub capture: Option<String>,
    /// What the whole chip holds now: BLAKE3.
    pub content: String,
    /// First byte of the range asked for.
    pub at: u32,
    /// Its length.
    pub len: u32,
    /// Whether a write that was cut off before was continued.
    pub resumed: bool,
    /// Blocks erased.
    pub erases: usize,
    /// Bytes programmed.
    pub programmed_bytes: u64,
    /// Bytes read again and compared.
    pub verified_bytes: u64,
    /// Bytes that differ: 0.
    pub differing_bytes: u64,
    /// Sectors compared by CRC-32 on the link; each has a chance of 2^-32 that a difference goes unseen.
    pub digested_sectors: u32,
    /// Rounds of writing again what differed at first.
    pub repairs: u32,
    /// What the plan said it would take, from first erase to last verify.
    pub predicted_ms: f64,
    /// What it took on the link's clock, from first erase to last verify.
    pub took_ms: f64,
}

/// What `verify` ends with.
#[derive(Debug, Clone, Serialize)]
pub struct VerifyReport {
    /// The job.
    pub job: String,
    /// The chip's name.
    pub chip: String,
    /// First byte compared.
    pub at: u32,
    /// Bytes compared.
    pub len: u64,
    /// Bytes that differ: 0.
    pub differing_bytes: u64,
    /// Sectors compared by CRC-32 on the link.
    pub digested_sectors: u32,
}

/// A plan as design section 6 fixes it.
#[derive(Debug, Clone, Serialize)]
pub struct PlanReport {
    /// Blocks to erase.
    pub erases: Vec<EraseReport>,
    /// Stretches to program: first byte, length.
    pub programs: Vec<(u32, u32)>,
    /// Cost of both, by the cost model.
    pub cost_ms: f64,
    /// Reading again.
    pub verify_ms: f64,
    /// Checks of id and status on the way.
    pub checks_ms: f64,
    /// All three.
    pub predicted_ms: f64,
    /// What each thing costs.
    pub cost_model: CostModel,
}

/// One erase of a plan.
#[derive(Debug, Clone, Serialize)]
pub struct EraseReport {
    /// First byte.
    pub at: u32,
    /// Block size.
    pub size: u32,
    /// Opcode.
    pub opcode: u8,
}

/// What each thing costs.
#[derive(Debug, Clone, Serialize)]
pub struct CostModel {
    /// By block size.
    pub erase_ms: std::collections::BTreeMap<u32, f64>,
    /// One page.
    pub page_ms: f64,
    /// One byte on the wire.
    pub wire_us_per_byte: f64,
    /// One erase or page beside its time and data.
    pub wire_us_per_command: f64,
}

impl PlanReport {
    pub(crate) fn of(plan: &Plan, costs: &Costs, chip: &nor::chip::Chip) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "times far below 2^53 ns")]
        let ms = |ns: u64| ns as f64 / 1e6;
        let (cost, verify, checks) = (plan.cost_ns, plan.verify_ns(costs), plan.checks_ns(costs));
        Self {
            erases: plan
                .erases()
                .map(|(at, erase)| EraseReport { at, size: erase.size, opcode: erase.opcode })
                .collect(),
            programs: plan.programs().collect(),
            cost_ms: ms(cost),
            verify_ms: ms(verify),
            checks_ms: ms(checks),
            predicted_ms: ms(cost + verify + checks),
            cost_model: CostModel {
                erase_ms: chip.erases.iter().zip(&costs.erase_ns).map(|(erase, ns)| (erase.size, ms(*ns))).collect(),
                page_ms: ms(costs.page_ns),
                wire_us_per_byte: ms(costs.byte_ns * 1000),
                wire_us_per_command: ms(costs.command_ns * 1000),
            },
        }
    }
}

/// The plan in a sentence.
pub(crate) fn plan_text(report: &PlanReport, plan: &Plan) -> String {
    format!(
        "plan: {}, {} to program, about {} with reading again",
        counted(report.erases.len() as u64, "erase"),
        about(plan.programmed_bytes()),
        duration(report.predicted_ms)
    )
}

/// The plan for the journal, durable before the first erase (S1).
pub(crate) fn plan_json(report: &PlanReport, plan: &Plan, from: Option<Digest>, wanted: Digest) -> Value {
    json!({
        "from": from,
        "wanted": wanted,
        "range": [plan.range.start, plan.range.end],
        "touched": ranges_json(&plan.touched()),
        "erases": report.erases.iter().map(|erase| json!([erase.at, erase.size, erase.opcode])).collect::<Vec<_>>(),
        "programs": report.programs,
        "predicted_ms": report.predicted_ms,
    })
}
