//! A rescue takes parts out of another machine's capture; what makes that other machine itself has to stay behind.
//!
//! Address and serial number of the rescued machine come from its own label. Two machines with one address disturb each other in
//! one network, and a wrong serial number follows a machine for years; so an image that carries either is not kept. What is
//! compared: the address in the network NVM, and the serial numbers that the vault knows of the donor, as plain text and as the
//! two-byte characters of firmware variables. The decision a reader would question: a donor whose serial number nobody wrote
//! down can't be told by it; the address is compared always.

use image::compose::{NamedRange, network_address};
use image::mac::Mac;
use vault::{Digest, Vault};

use crate::error::JobError;

/// Who the rescued machine is, by its label, and who the donors are.
pub(super) struct Identity {
    /// The address on the label, if there is one.
    pub mac: Option<Mac>,
    /// The serial number on the label, if there is one.
    pub serial: Option<String>,
    /// The donors' contents.
    pub donors: Vec<Digest>,
    /// The region map of a content without its own.
    pub map: Vec<NamedRange>,
}

/// Refuses an image that carries the donor's address or serial number, or another address than the label's.
///
/// # Errors
/// [`JobError::DonorIdentity`] with what was found, by name and never by value; [`JobError::Vault`].
pub(super) fn check(vault: &Vault, own: &Identity, donor: &[u8], image: &[u8]) -> Result<(), JobError> {
    let refuse = |what: &'static str, why: String| Err(JobError::DonorIdentity { what, why });
    let carried = network_address(image, &own.map);
    if carried.is_some() && carried == network_address(donor, &own.map) && carried != own.mac {
        return refuse("network address", "the image carries the donor's".into());
    }
    if let (Some(carried), Some(label)) = (carried, own.mac)
        && carried != label
        && !carried.is_local()
    {
        return refuse("network address", "the image carries neither the label's nor a local one".into());
    }
    for id in &own.donors {
        for serial in serials(vault, id)? {
            if Some(&serial) != own.serial.as_ref() && holds_text(image, &serial) {
                return refuse("serial number", "the image carries the donor's".into());
            }
        }
    }
    Ok(())
}

/// The serial numbers that jobs wrote down for the machine that a content is of.
fn serials(vault: &Vault, content: &Digest) -> Result<Vec<String>, JobError> {
    let mut serials = Vec::new();
    for job in vault.show(content)?.into_iter().filter_map(|manifest| manifest.job) {
        let entries = match vault.read_journal(&job) {
            Ok(log) => log.entries,
            Err(vault::VaultError::NotFound { .. }) => continue,
            Err(error) => return Err(error.into()),
        };
        let intakes = entries.iter().filter(|entry| entry.kind == "intake");
        let found = intakes.filter_map(|entry| entry.body["answers"]["label-serial"].as_str());
        serials.extend(found.filter(|serial| *serial != "none").map(str::to_owned));
    }
    Ok(serials)
}

/// Whether a content holds a text, as bytes or as two-byte characters. Texts too short to mean anything are never found.
fn holds_text(content: &[u8], text: &str) -> bool {
    const SHORTEST: usize = 5;
    if text.len() < SHORTEST {
        return false;
    }
    let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    [text.as_bytes(), &wide].into_iter().any(|wanted| memchr::memmem::find(content, wanted).is_some())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_serial_number_is_found_as_bytes_and_as_wide_characters() {
        let wide: Vec<u8> = "LN9-0042".encode_utf16().flat_map(u16::to_le_bytes).collect();
        for stored in [b"LN9-0042".to_vec(), wide] {
            let mut content = vec![0xFF; 100];
            content[92 - stored.len()..92].copy_from_slice(&stored);
            assert!(holds_text(&content, "LN9-0042"));
            assert!(!holds_text(&content, "LN9-0043"));
            assert!(holds_text(&stored, "LN9-0042"), "the text alone");
        }
        assert!(!holds_text(b"aaaa", "aaaa"), "too short to mean anything");
        assert!(!holds_text(b"LN9-004", "LN9-0042"), "longer than the content");
    }
}
