//! Requests of [`nor::link`] as requests of `wire`, and what comes back.
//!
//! Everything that comes is held against what was asked for: data past its count, a repetition of what never came, a count that does not
//! go with the data are errors, and nothing of such an answer is used.

use std::time::Instant;

use nor::command::ReadMode;
use nor::link::{Answer, EraseList, Guard, LineReport, LineState, ProgramRange, Request, SIGNALS, Stop};
use wire::{Data, Reply};

use super::error::Trouble;
use super::talk::{self, Came, Talk};

/// Whether a chip is the same after the request as before it. A transfer that asks for an answer is one of the reading commands.
pub(super) fn changes_nothing(request: &Request) -> bool {
    match request {
        Request::Transfer(transfer) => transfer.read > 0,
        Request::ReadRange { .. } | Request::DigestRange { .. } | Request::SetClock { .. } | Request::LineTest => true,
        Request::ProgramRange(_) | Request::EraseList(_) => false,
    }
}

pub(super) fn wire_mode(mode: ReadMode) -> wire::ReadMode {
    let ReadMode { opcode, address_bytes, dummy_bytes, data_lines } = mode;
    wire::ReadMode { opcode, address_bytes, dummy_bytes, data_lines }
}

fn wire_guard(guard: &Guard) -> wire::Guard<'_> {
    wire::Guard { id: &guard.id, status: guard.status, status_mask: guard.status_mask }
}

/// Times in a message have 32 bits: 71 minutes.
fn wire_us(us: u64) -> u32 {
    u32::try_from(us).unwrap_or(u32::MAX)
}

/// What is no answer to this request: a refusal says why.
pub(super) fn other_answer<T>(came: &Came<'_>) -> Result<Option<T>, Trouble> {
    match came {
        Came::Reply(Reply::Refused(refusal)) => Err(talk::refused(*refusal)),
        _ => Err(Trouble::Answer { what: "another kind of answer came" }),
    }
}

/// Data of at most `len` bytes, then the count of them.
fn collect(
    talk: &mut Talk,
    request: &wire::Request<'_>,
    len: usize,
    until: Instant,
    mut ends: impl FnMut(&Reply<'_>) -> Option<u32>,
) -> Result<Vec<u8>, Trouble> {
    let mut bytes: Vec<u8> = Vec::with_capacity(len);
    let mut count = 0;
    talk.ask(request, &[], until, |came| {
        match &came {
            Came::Data(data) if bytes.len() + data.len() as usize > len => {
                return Err(Trouble::Answer { what: "more data came than was asked for" });
            }
            Came::Data(Data::Bytes(more)) => bytes.extend_from_slice(more),
            Came::Data(Data::Fill { value, len }) => bytes.resize(bytes.len() + *len as usize, *value),
            Came::Data(Data::Repeat { len }) => {
                let from = bytes.len().checked_sub(*len as usize);
                let from = from.ok_or(Trouble::Answer { what: "data is repeated that never came" })?;
                bytes.extend_from_within(from..);
            }
            Came::Reply(reply) => match ends(reply) {
                Some(said) => {
                    count = said;
                    return Ok(Some(()));
                }
                None => return other_answer(&came),
            },
        }
        Ok(None)
    })?;
    if bytes.len() != len || count as usize != len {
        return Err(Trouble::Answer { what: "fewer data came than were asked for" });
    }
    Ok(bytes)
}

pub(super) fn read(talk: &mut Talk, request: &wire::Request<'_>, len: u32, until: Instant) -> Result<Vec<u8>, Trouble> {
    collect(talk, request, len as usize, until, |reply| match reply {
        Reply::Read { len } => Some(*len),
        _ => None,
    })
}

pub(super) fn digests(
    talk: &mut Talk,
    request: &wire::Request<'_>,
    count: u32,
    until: Instant,
) -> Result<Vec<u32>, Trouble> {
    let bytes = collect(talk, request, count as usize * 4, until, |reply| match reply {
        Reply::Digests { count } => count.checked_mul(4),
        _ => None,
    })?;
    Ok(bytes.chunks_exact(4).map(|sum| u32::from_le_bytes([sum[0], sum[1], sum[2], sum[3]])).collect())
}

pub(super) fn set_clock(talk: &mut Talk, hz: u32, until: Instant) -> Result<u32, Trouble> {
    talk.ask(&wire::Request::SetClock { hz }, &[], until, |came| match came {
        Came::Reply(Reply::Clock { hz }) => Ok(Some(hz)),
        other => other_answer(&other),
    })
}

pub(super) fn program(talk: &mut Talk, range: &ProgramRange, until: Instant) -> Result<Answer, Trouble> {
    let unable = |what: &str| Trouble::Unable(what.to_owned());
    let request = wire::Request::ProgramRange {
        at: range.at,
        len: u32::try_from(range.data.len()).map_err(|_| unable("a range of 4 GiB or more"))?,
        page: u16::try_from(range.page).map_err(|_| unable("pages of 64 KiB or more"))?,
        opcode: range.opcode,
        address_bytes: range.address_bytes,
        typical_us: wire_us(range.typical_us),
        limit_us: wire_us(range.limit_us),
        guard: wire_guard(&range.guard),
    };
    let (done, stop) = run_list(talk, &request, &range.data, until)?;
    Ok(Answer::Ran { done, stop })
}

/// Runs a list in as many requests as the programmer's limit makes of it.
pub(super) fn erase(talk: &mut Talk, list: &EraseList, max_blocks: usize, until: Instant) -> Result<Answer, Trouble> {
    let most = max_blocks.min(wire::MAX_BLOCKS);
    let mut room = vec![0; most * wire::Blocks::ENTRY];
    let mut all = 0;
    for blocks in list.blocks.chunks(most) {
        let blocks: Vec<wire::Block> = blocks
            .iter()
            .map(|block| wire::Block {
                at: block.at,
                opcode: block.opcode,
                typical_us: wire_us(block.typical_us),
                limit_us: wire_us(block.limit_us),
            })
            .collect();
        let request = wire::Request::EraseList {
            address_bytes: list.address_bytes,
            guard: wire_guard(&list.guard),
            blocks: wire::Blocks::write(&blocks, &mut room)?,
        };
        let (done, stop) = run_list(talk, &request, &[], until)?;
        all += done;
        if stop.is_some() {
            return Ok(Answer::Ran { done: all, stop });
        }
    }
    Ok(Answer::Ran { done: all, stop: None })
}

fn run_list(
    talk: &mut Talk,
    request: &wire::Request<'_>,
    data: &[u8],
    until: Instant,
) -> Result<(u32, Option<Stop>), Trouble> {
    talk.ask(request, data, until, |came| {
        let Came::Reply(Reply::Ran { done, stop }) = &came else { return other_answer(&came) };
        let stop = match stop {
            None => None,
            Some(wire::Stop::Differs { id, status }) => Some(Stop::Differs { id: id.to_vec(), status: *status }),
            Some(wire::Stop::Busy { waited_us }) => Some(Stop::Busy { waited_us: u64::from(*waited_us) }),
            Some(wire::Stop::NotEnabled { status }) => Some(Stop::NotEnabled { status: *status }),
            Some(wire::Stop::Cancelled) => return Err(Trouble::Answer { what: "it was cancelled by nobody" }),
            Some(wire::Stop::HostSilent) => return Err(Trouble::HostSilent { done: *done }),
        };
        Ok(Some((*done, stop)))
    })
}

pub(super) fn line_report(lines: &wire::LineReport) -> LineReport {
    let states = SIGNALS.iter().zip(&lines.lines).map(|(signal, line)| LineState {
        signal: *signal,
        pulled_up: line.pulled_up,
        pulled_down: line.pulled_down,
        rise_ns: line.rise_ns,
        moved: std::array::from_fn(|bit| line.moved >> bit & 1 == 1),
    });
    LineReport { lines: states.collect(), supply_mv: lines.supply_mv.map(u32::from) }
}
