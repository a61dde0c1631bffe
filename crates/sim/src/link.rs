//! The bench as a link: requests in, answers out, with what they cost.
//!
//! A request costs `round_trip_us` plus the longer of two times: what passes on the wire (and, in a list, the waits for
//! the chip), and what passes between host and link at `bytes_per_second`. Deadlines are times on the link's clock. A
//! request that takes past its deadline has reached the chip all the same, as it would have; its answer is
//! [`LinkError::Silent`]. A request in a stall waits for the stall's end before it touches the chip.

use nor::command::{ReadMode, Transfer};
use nor::link::{Answer, Limits, Link, LinkError, Request};

use crate::bench::VirtualBench;
use crate::clock::ns;
use crate::faults::{FaultKind, When};

impl Link for VirtualBench {
    fn limits(&self) -> &Limits {
        &self.limits
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        self.look_sometimes();
        self.there()?;
        self.check(request).map_err(|what| LinkError::Unable { what })?;
        let start_us = self.now_us();
        self.stall(start_us, deadline_us)?;
        self.pass_to(self.clock.now_ns().saturating_add(ns(self.limits.round_trip_us.into())));
        self.there()?;
        let began = self.clock.now_ns();
        let answer = self.answer(request, deadline_us)?;
        self.pass_to(began.saturating_add(self.host_ns(request)));
        self.there()?;
        self.stall(start_us, deadline_us)?;
        if let Some(error) = self.take_failure() {
            return Err(LinkError::System(Box::new(error)));
        }
        let now_us = self.now_us();
        if now_us > deadline_us {
            return Err(LinkError::Silent { waited_us: now_us - start_us });
        }
        Ok(answer)
    }

    fn now_us(&mut self) -> u64 {
        self.clock.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.pass_to(self.clock.now_ns().saturating_add(ns(us)));
    }

    fn is_present(&mut self) -> bool {
        self.look();
        self.is_there_now()
    }
}

impl VirtualBench {
    /// What about the request is outside the link's limits.
    fn check(&self, request: &Request) -> Result<(), String> {
        let limits = &self.limits;
        let features = limits.features;
        let at_most = |what: &str, found: u64, most: u32| {
            if found <= u64::from(most) { Ok(()) } else { Err(format!("{found} bytes of {what}, at most {most}")) }
        };
        let runs = |feature, name| if feature { Ok(()) } else { Err(format!("it does not run `{name}` by itself")) };
        let width = |bytes| if matches!(bytes, 3 | 4) { Ok(()) } else { Err(format!("{bytes} address bytes")) };
        match request {
            Request::Transfer(transfer) => at_most("transfer", transfer.wire_bytes(), limits.max_transfer),
            Request::ReadRange { at, len, mode } | Request::DigestRange { at, len, mode } => {
                match request {
                    Request::ReadRange { .. } => runs(features.read_range, "read range")?,
                    _ => runs(features.digest_range, "digest range")?,
                }
                width(mode.address_bytes)?;
                match (mode.data_lines, request) {
                    (1, _) => {}
                    (2, Request::DigestRange { .. }) if features.two_lines => {}
                    (lines, _) => return Err(format!("a read on {lines} data lines")),
                }
                at_most("range", u64::from(*len), limits.max_range)?;
                inside_reach(*at, u64::from(*len))
            }
            Request::ProgramRange(range) => {
                runs(features.program_range, "program range")?;
                width(range.address_bytes)?;
                at_most("range", range.data.len() as u64, limits.max_range)?;
                if range.page == 0 || !range.at.is_multiple_of(range.page) {
                    return Err(format!("a range from {:#x} on in pages of {} bytes", range.at, range.page));
                }
                inside_reach(range.at, range.data.len() as u64)
            }
            Request::EraseList(list) => {
                runs(features.erase_list, "erase list")?;
                width(list.address_bytes)
            }
            Request::SetClock { hz } if *hz < limits.clock_hz.0 => {
                Err(format!("a clock of {hz} Hz, at least {} Hz", limits.clock_hz.0))
            }
            Request::SetClock { .. } => Ok(()),
            Request::LineTest => runs(features.line_test, "line test"),
        }
    }

    fn answer(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        Ok(match request {
            Request::Transfer(transfer) => Answer::Bytes(self.transact(&transfer.write, transfer.read)?),
            Request::ReadRange { at, len, mode } => Answer::Bytes(self.read(*at, *len, *mode)?),
            Request::DigestRange { at, len, mode } => {
                let bytes = self.read(*at, *len, *mode)?;
                Answer::Digests(bytes.chunks(nor::SECTOR as usize).map(crc32fast::hash).collect())
            }
            Request::ProgramRange(range) => self.program_range(range, deadline_us)?,
            Request::EraseList(list) => self.erase_list(list, deadline_us)?,
            Request::SetClock { hz } => {
                self.hz = (*hz).min(self.limits.clock_hz.1);
                Answer::Clock { hz: self.hz }
            }
            Request::LineTest => Answer::Lines(self.line_report()),
        })
    }

    fn read(&mut self, at: u32, len: u32, mode: ReadMode) -> Result<Vec<u8>, LinkError> {
        let transfer = Transfer::array(at, len, mode);
        self.transact_on(mode.data_lines, &transfer.write, transfer.read)
    }

    /// Time of the payload between host and link, in nanoseconds: bytes of a transfer or range, digests, page data.
    fn host_ns(&self, request: &Request) -> u64 {
        let Some(rate) = self.limits.bytes_per_second else { return 0 };
        let bytes = match request {
            Request::Transfer(transfer) => transfer.wire_bytes(),
            Request::ReadRange { len, .. } => u64::from(*len),
            Request::DigestRange { len, .. } => u64::from(len.div_ceil(nor::SECTOR)) * 4,
            Request::ProgramRange(range) => range.data.len() as u64,
            Request::EraseList(_) | Request::SetClock { .. } | Request::LineTest => 0,
        };
        bytes.saturating_mul(1_000_000_000) / u64::from(rate)
    }

    /// Waits for a stall's end, or to the deadline, whichever comes first.
    fn stall(&mut self, start_us: u64, deadline_us: u64) -> Result<(), LinkError> {
        if std::mem::take(&mut self.lost_answer) {
            return Err(self.silence(start_us, deadline_us));
        }
        loop {
            let ends = self.faults.active().find_map(|fault| match (&fault.kind, fault.when) {
                (FaultKind::LinkStall, When::Window { until_us, .. }) => Some(until_us),
                _ => None,
            });
            match ends {
                None => return self.there(),
                Some(Some(until_us)) if until_us <= deadline_us => self.pass_to(ns(until_us)),
                Some(_) => return Err(self.silence(start_us, deadline_us)),
            }
        }
    }

    fn silence(&mut self, start_us: u64, deadline_us: u64) -> LinkError {
        self.pass_to(ns(deadline_us));
        if self.gone {
            return LinkError::Gone;
        }
        LinkError::Silent { waited_us: self.now_us().saturating_sub(start_us) }
    }
}

fn inside_reach(at: u32, len: u64) -> Result<(), String> {
    if u64::from(at) + len <= 1 << 32 {
        Ok(())
    } else {
        Err(format!("{len} bytes from {at:#x} on, past four address bytes"))
    }
}
