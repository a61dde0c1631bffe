//! The present content of a chip: known, half done, or captured now (safety rule S1).
//!
//! Whoever writes asks here first. What the job knows of a chip counts only after it was compared with the chip in this
//! very command; what is neither known nor a half-done write of this job is captured, and earlier captures stay.

use std::ops::Range;

use nor::SECTOR;
use serde_json::json;
use vault::Digest;

use crate::capture::Look;
use crate::error::JobError;
use crate::record::Pending;
use crate::session::Session;

/// The present content of a chip, with what stands behind it.
pub(crate) struct Present {
    pub content: Vec<u8>,
    /// The content in the vault that brings the chip back.
    pub capture: Option<Digest>,
    /// The write that was cut off and is gone on with.
    pub unfinished: Option<Pending>,
}

impl Session<'_> {
    /// S1: what the chip holds now, with the capture that stands behind it.
    pub(crate) fn present_content(&mut self) -> Result<Present, JobError> {
        if let Some((id, content)) = self.present.take() {
            let present = Present { content: content.clone(), capture: Some(id), unfinished: None };
            self.present = Some((id, content));
            return Ok(present);
        }
        let mut candidates = self.known.captures.clone();
        candidates.extend(self.known.applied);
        candidates.reverse();
        candidates.dedup();
        let no_capture = self.options.no_capture.clone();
        if candidates.is_empty() && no_capture.is_none() {
            return self.captured_now();
        }
        match self.look(&candidates)? {
            Look::Known(id, content) => {
                self.say("the chip holds what this job knows of it");
                self.present = Some((id, content.clone()));
                Ok(Present { content, capture: Some(id), unfinished: None })
            }
            Look::Other(content) => {
                if let Some(pending) = self.known.pending.clone()
                    && self.is_half_done(&pending, &content)?
                {
                    self.say("a write was cut off here; every sector outside its plan is as it was: going on");
                    return Ok(Present { content, capture: Some(pending.from), unfinished: Some(pending) });
                }
                if let Some(reason) = no_capture {
                    self.write_down("not-captured", json!({ "reason": reason }))?;
                    self.say(format!("no capture, as asked ({reason}): there will be no way back"));
                    return Ok(Present { content, capture: None, unfinished: None });
                }
                self.say("the chip holds something that this job does not know: it is captured first");
                self.captured_now()
            }
        }
    }

    fn captured_now(&mut self) -> Result<Present, JobError> {
        self.capture_in_tries()?;
        let (id, content) = self.present.clone().expect("an accepted capture is the present content");
        Ok(Present { content, capture: Some(id), unfinished: None })
    }

    /// Whether `now` can be what a cut-off write of this job left: outside its plans nothing changed, and inside, all but
    /// the block that was under way is old, new or blank. Anything else may be another chip, and is captured first.
    fn is_half_done(&self, pending: &Pending, now: &[u8]) -> Result<bool, JobError> {
        let from = self.vault.read_vec(&pending.from)?;
        let wanted = pending.wanted.iter().map(|id| self.vault.read_vec(id)).collect::<Result<Vec<_>, _>>()?;
        if from.len() != now.len() || wanted.iter().any(|wanted| wanted.len() != now.len()) {
            return Ok(false);
        }
        let page = self.identity.chip.page as usize;
        let largest = self.identity.chip.erases.last().map_or(SECTOR, |erase| erase.size) as usize;
        let mut strange: Option<Range<usize>> = None;
        for (index, (now, from)) in now.chunks(page).zip(from.chunks(page)).enumerate() {
            let at = index * page;
            if now == from {
                continue;
            }
            let touched = pending.touched.iter().any(|range| range.start as usize <= at && at < range.end as usize);
            if !touched {
                return Ok(false);
            }
            let is_new = wanted.iter().any(|wanted| wanted[at..at + now.len()] == *now);
            if !is_new && !nor::is_blank(now) {
                let reach = strange.get_or_insert(at..at);
                reach.end = at + now.len();
            }
        }
        Ok(strange.is_none_or(|reach| reach.start / largest == (reach.end - 1) / largest))
    }
}
