//! Safety rule S4: before a link drives anything, what the chip bears is stated, what the link drives is known, and the
//! one lies inside the other. After the id is read, the catalogue has to agree.

use nor::catalogue;
use nor::chip::Chip;
use nor::supply::{Supply, SupplyRange};
use serde_json::{Value, json};

use crate::error::JobError;

/// What was said of the supply before anything was driven.
#[derive(Debug, Clone)]
pub struct Stated {
    /// What the chip bears, by the statements.
    pub bears: SupplyRange,
    /// Who said so.
    pub by: String,
    /// What the link drives.
    pub drives: Supply,
    /// The marking, when one was given.
    pub marking: Option<String>,
}

/// What a person said with options, and what the link says of itself.
#[derive(Debug, Clone, Copy)]
pub struct Statements<'a> {
    /// `--supply`.
    pub supply: Option<f64>,
    /// `--marking`.
    pub marking: Option<&'a str>,
    /// `--drives`.
    pub drives: Option<f64>,
    /// What the link says it drives.
    pub link_drives: Option<Supply>,
    /// What a virtual chip says it bears.
    pub chip_bears: Option<SupplyRange>,
    /// What the profile says the chip at this place bears.
    pub profile_bears: Option<SupplyRange>,
}

/// Weighs the statements; nothing has been driven yet.
///
/// # Errors
/// [`JobError::SupplyUnknown`] and [`JobError::DrivesUnknown`] when a question stays open, [`JobError::Voltage`] when
/// the answers do not fit, [`JobError::SupplyConflict`] and [`JobError::BadOption`].
pub fn state(said: Statements<'_>) -> Result<Stated, JobError> {
    let volts = |what: &str, value: f64| {
        Supply::from_volts(value).ok_or_else(|| JobError::BadOption {
            what: format!("{what} {value}"),
            why: "a voltage from 0.5 to 6 is expected".into(),
        })
    };
    let drives = match (said.drives.map(|value| volts("--drives", value)).transpose()?, said.link_drives) {
        (Some(told), Some(own)) if told != own => {
            return Err(JobError::SupplyConflict {
                one: format!("`--drives` says {told}"),
                other: format!("the link itself says {own}"),
            });
        }
        (told, own) => own.or(told).ok_or(JobError::DrivesUnknown)?,
    };
    let mut ranges: Vec<(SupplyRange, String)> = Vec::new();
    if let Some(value) = said.supply {
        let supply = volts("--supply", value)?;
        let class = SupplyRange::class_of(supply).ok_or_else(|| JobError::BadOption {
            what: format!("--supply {value}"),
            why: "chips are of the 3 V class (2.7 to 3.6) or the 1.8 V class (1.65 to 2.0)".into(),
        })?;
        ranges.push((class, format!("`--supply {value}`")));
    }
    if let Some(marking) = said.marking {
        ranges.push((by_marking(marking)?, format!("marking {marking}")));
    }
    if let Some(range) = said.profile_bears {
        ranges.push((range, "the profile".into()));
    }
    if let Some(range) = said.chip_bears {
        ranges.push((range, "the virtual chip's own statement".into()));
    }
    let Some((first, by)) = ranges.first().cloned() else {
        return Err(JobError::SupplyUnknown { drives: drives.to_string() });
    };
    let mut bears = first;
    for (range, other) in &ranges[1..] {
        bears = bears.common(*range).ok_or_else(|| JobError::SupplyConflict {
            one: format!("{by} means {first}"),
            other: format!("{other} means {range}"),
        })?;
    }
    let by = ranges.into_iter().map(|(_, by)| by).collect::<Vec<_>>().join(", ");
    if !bears.bears(drives) {
        return Err(JobError::Voltage { drives, bears, by, driven: false });
    }
    Ok(Stated { bears, by, drives, marking: said.marking.map(str::to_owned) })
}

/// What every part of this marking bears.
fn by_marking(marking: &str) -> Result<SupplyRange, JobError> {
    let entries = catalogue::by_marking(marking);
    let unknown = |why: &str| JobError::BadOption { what: format!("--marking {marking}"), why: why.into() };
    let first =
        entries.first().ok_or_else(|| unknown("the catalogue does not know it; give `--supply VOLTS` instead"))?;
    entries[1..]
        .iter()
        .try_fold(first.supply, |common, entry| common.common(entry.supply))
        .ok_or_else(|| unknown("parts of this marking come for different voltages; give `--supply VOLTS`"))
}

impl Stated {
    /// The catalogue has to agree once the id is read.
    ///
    /// # Errors
    /// [`JobError::Voltage`], [`JobError::OtherMarking`].
    pub fn confirm(&self, chip: &Chip) -> Result<(), JobError> {
        if let Some(bears) = chip.supply
            && !bears.bears(self.drives)
        {
            let by = format!("the catalogue, by the id {} of {}", chip.id_text(), chip.name());
            return Err(JobError::Voltage { drives: self.drives, bears, by, driven: true });
        }
        if let Some(marking) = &self.marking
            && !chip.markings.iter().any(|known| known.eq_ignore_ascii_case(marking.trim()))
        {
            return Err(JobError::OtherMarking { marking: marking.clone(), id: chip.id_text(), name: chip.name() });
        }
        Ok(())
    }

    /// For the journal.
    #[must_use]
    pub fn to_json(&self) -> Value {
        json!({
            "drives_v": f64::from(self.drives.mv) / 1000.0,
            "bears_v": <[f64; 2]>::from(self.bears),
            "by": self.by,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOTHING: Statements<'static> = Statements {
        supply: None,
        marking: None,
        drives: None,
        link_drives: None,
        chip_bears: None,
        profile_bears: None,
    };
    const THREE: Supply = Supply { mv: 3300 };

    #[test]
    fn s4_an_unknown_supply_is_a_question_and_not_a_guess() {
        let error = state(Statements { link_drives: Some(THREE), ..NOTHING }).expect_err("nobody said");
        assert!(matches!(error, JobError::SupplyUnknown { .. }));
        let error = state(Statements { supply: Some(3.3), ..NOTHING }).expect_err("nobody knows");
        assert!(matches!(error, JobError::DrivesUnknown));
    }

    #[test]
    fn s4_three_volts_never_reach_a_low_voltage_chip() {
        for said in [
            Statements { supply: Some(1.8), link_drives: Some(THREE), ..NOTHING },
            Statements { marking: Some("w25q128fw"), link_drives: Some(THREE), ..NOTHING },
            Statements { supply: Some(1.8), drives: Some(3.3), ..NOTHING },
        ] {
            assert!(matches!(state(said), Err(JobError::Voltage { .. })), "{said:?}");
        }
    }

    #[test]
    fn s4_statements_that_contradict_each_other_stop() {
        let said = Statements { supply: Some(3.3), marking: Some("W25Q128FW"), link_drives: Some(THREE), ..NOTHING };
        assert!(matches!(state(said), Err(JobError::SupplyConflict { .. })));
        let said = Statements { supply: Some(3.3), drives: Some(1.8), link_drives: Some(THREE), ..NOTHING };
        assert!(matches!(state(said), Err(JobError::SupplyConflict { .. })));
    }

    #[test]
    fn s4_the_catalogue_has_to_agree_once_the_id_is_read() {
        let said = Statements { supply: Some(3.3), link_drives: Some(THREE), ..NOTHING };
        let stated = state(said).expect("fits");
        let low = Chip::describe(&[0xEF, 0x60, 0x18], None, 0);
        assert!(matches!(stated.confirm(&low), Err(JobError::Voltage { .. })));
        let right = Chip::describe(&[0xEF, 0x40, 0x18], None, 0);
        assert!(stated.confirm(&right).is_ok());
        let said = Statements { marking: Some("W25Q64"), link_drives: Some(THREE), ..NOTHING };
        let stated = state(said).expect("fits");
        assert!(matches!(stated.confirm(&right), Err(JobError::OtherMarking { .. })));
    }
}
