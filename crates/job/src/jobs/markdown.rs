//! The record as a page of Markdown, for paper and for people.
//!
//! Everything that came from a person or a profile goes through [`cell`]: a name with a bar or a bracket in it must not break
//! a table or make a link.

use super::record::{ChipRecord, ContentRecord, RecordReport};

impl RecordReport {
    /// The record as Markdown.
    #[must_use]
    pub fn text(&self) -> String {
        let mut page = format!("# Record of job {}\n\n", cell(&self.job));
        let state = if self.sealed { "closed and sealed" } else { "still open" };
        let mut row = |name: &str, value: Option<&str>| {
            if let Some(value) = value {
                page += &format!("- {name}: {}\n", cell(value));
            }
        };
        row("Machine", self.machine.as_deref());
        row("Model", Some(&self.board));
        row("Kind of job", Some(self.kind));
        row("Takes back", self.of.as_deref());
        row("Owner", self.owner.as_deref());
        row("Consent by", self.consent.as_deref());
        row("Taken in", self.taken_in.as_deref());
        row("State", Some(state));
        row("Given back as it is", self.given_back.as_deref());
        page += &format!("- Profile: BLAKE3 `{}`\n", self.profile);
        for warning in &self.warnings {
            page += &format!("\n**Warning:** {}\n", cell(warning));
        }
        page += "\n## Chips\n";
        for chip in &self.chips {
            contents(&mut page, chip, "As left", "not written by this job");
        }
        if !self.spans.is_empty() {
            page += "\n## Images over several chips\n";
        }
        for span in &self.spans {
            contents(&mut page, span, "As composed", "not composed by this job");
        }
        if !self.files.is_empty() {
            page += "\n## Files taken in\n\n";
        }
        for file in &self.files {
            let name = file.name.as_deref().map_or_else(|| "a file".to_owned(), cell);
            let origin = file.origin.as_deref().map(|origin| format!(" of {}", cell(origin))).unwrap_or_default();
            page +=
                &format!("- {name}{origin}: BLAKE3 `{}`, vouched for by {}\n", file.content, cell(&file.vouched_by));
        }
        if !self.limits.is_empty() {
            page += "\n## What does not work\n\n";
            for limit in &self.limits {
                let yes = |yes: bool| if yes { "yes" } else { "no" };
                let (known, told) = (yes(limit.acknowledged), yes(limit.told));
                page +=
                    &format!("- {} (acknowledged at intake: {known}; told at handover: {told})\n", cell(&limit.text));
            }
        }
        page += "\n## Steps\n\n| step | done | by | minutes, at most | remarks |\n|---|---|---|---|---|\n";
        for step in &self.steps {
            let mut remarks: Vec<String> = Vec::new();
            remarks.extend(step.measured.as_deref().map(|value| format!("measured {}", cell(value))));
            remarks.extend(step.note.as_deref().map(cell));
            if !step.no_way_back.is_empty() {
                remarks.push(format!("signed with no way back for {}", cell(&step.no_way_back.join(", "))));
            }
            page += &format!(
                "| {} | {} | {} | {} | {} |\n",
                cell(&step.title),
                step.when.as_deref().map_or_else(|| step.standing.to_owned(), cell),
                step.by.as_deref().map(cell).unwrap_or_default(),
                step.minutes.map(|minutes| format!("{minutes:.1}")).unwrap_or_default(),
                remarks.join("; ")
            );
        }
        self.tail(&mut page);
        page
    }

    fn tail(&self, page: &mut String) {
        let mut shown: Vec<&str> = self.steps.iter().flat_map(|step| &step.cautions).map(String::as_str).collect();
        let mut seen = std::collections::HashSet::new();
        shown.retain(|caution| seen.insert(*caution));
        if !shown.is_empty() {
            *page += "\n## Cautions acknowledged\n\n";
            for caution in shown {
                *page += &format!("- {}\n", cell(caution));
            }
        }
        *page += "\n## Intake\n\n";
        for (id, answer) in &self.answers {
            *page += &format!("- `{id}`: {}\n", cell(answer));
        }
        if !self.photos.is_empty() {
            *page += "\n## Photos\n\n";
            for photo in &self.photos {
                let note = photo.note.as_deref().map(|note| format!(": {}", cell(note))).unwrap_or_default();
                let (step, by, when) = (cell(&photo.step), cell(&photo.by), cell(&photo.when));
                *page += &format!("- {step}, by {by}, {when}{note} (BLAKE3 `{}`)\n", cell(&photo.content));
            }
        }
        if !self.gates.is_empty() {
            *page += "\n## Gates\n\n";
            for gate in &self.gates {
                *page += &format!(
                    "- {}: {} by {}, {}\n",
                    cell(&gate.id),
                    cell(&gate.answer),
                    cell(&gate.by),
                    cell(&gate.when)
                );
            }
        }
        if !self.notes.is_empty() {
            *page += "\n## Notes on the journal\n\n";
            for note in &self.notes {
                *page += &format!("- entry {}: {}\n", note.seq, cell(&note.text));
            }
        }
        *page += &format!("\nJournal: {} entries, the last with the hash `{}`.\n", self.entries, self.last_hash);
    }
}

fn contents(page: &mut String, of: &ChipRecord, left: &str, none: &str) {
    *page += &format!("\n### {}\n\n", cell(&of.chip));
    content(page, "As found", of.as_found.as_ref(), "not captured");
    for further in &of.further {
        content(page, "Captured later", Some(further), "");
    }
    content(page, left, of.as_left.as_ref(), none);
}

fn content(page: &mut String, name: &str, content: Option<&ContentRecord>, none: &str) {
    match content {
        None => *page += &format!("- {name}: {none}\n"),
        Some(content) => {
            *page += &format!("- {name}: BLAKE3 `{}`\n", content.content);
            match &content.sha256 {
                Some(sha256) => *page += &format!("  SHA-256 `{sha256}`\n"),
                None => *page += "  (no longer in the vault)\n",
            }
        }
    }
}

/// Text that stands for itself anywhere on a page of Markdown, on one line.
fn cell(text: &str) -> String {
    let mut cell = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\\' | '|' | '*' | '_' | '[' | ']' | '<' | '>' | '`' | '#' | '&' => {
                cell.push('\\');
                cell.push(letter);
            }
            _ if letter.is_control() => cell.push(' '),
            _ => cell.push(letter),
        }
    }
    cell
}

#[cfg(test)]
mod tests {
    use super::cell;

    #[test]
    fn a_name_breaks_no_table_and_makes_no_link() {
        assert_eq!(cell("a|b\n[c](d) <i>"), "a\\|b \\[c\\](d) \\<i\\>");
    }
}
