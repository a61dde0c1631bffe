//! A chip that reads as one value all over: blank, or a contact that every long read loses.

use std::fs;

use job::{ChipOptions, Nobody, Session};

/// The fault campaign found this: chip select bounced in the middle of every long read, and what came after it read as
/// blank. The chip held little, and that little lay late in its chunk; so all passes agreed on a blank chip, id and status were
/// answered rightly in between, and the blank was accepted as the chip's capture.
#[test]
fn s1_a_chip_that_only_long_reads_call_blank_is_no_blank_chip() {
    let mut content = vec![0xFF; 2 << 20];
    // Late in a chunk of 64 KiB, and late in a sector.
    content[0x3_8C00..0x3_9000].fill(0x5A);
    let mut refused = 0;
    for seed in 0..8 {
        let folder = tempfile::tempdir().expect("a folder");
        fs::write(folder.path().join("chip.bin"), &content).expect("our own file");
        let link = folder.path().join("chip.toml");
        let text = format!(
            "seed = {seed}\n[chip]\nmarking = \"W25Q16CL\"\ncontent = \"chip.bin\"\n[link]\nfeatures = [\"read-range\"]\nclock_hz = 50000000\n"
        );
        fs::write(&link, &text).expect("our own file");
        let bench = folder.path().join("bench");
        let options = ChipOptions { link: link.display().to_string(), ..ChipOptions::default() };
        let identified_us = Session::open(&bench, options.clone(), "test", &mut Nobody).expect("a chip").link_us();
        // The clock goes on, and the chip is identified again before the contact goes bad.
        let from_us = 2 * identified_us + 100;
        let fault = format!("[[fault]]\nkind = \"select-bounce\"\nrate = 1e-4\nseverity = 0.5\nfrom_us = {from_us}\n");
        fs::write(&link, text + &fault).expect("our own file");
        let mut nobody = Nobody;
        let captured = Session::open(&bench, options, "test", &mut nobody).and_then(|mut session| session.capture());
        match captured {
            Err(_) => refused += 1,
            Ok(report) => {
                let vault = job::open_bench(&bench).expect("a bench");
                let kept = vault.read_vec(&vault.find(&report.content).expect("it is there")).expect("it is sound");
                assert!(kept == content, "seed {seed}: what is kept is not what the chip holds");
            }
        }
    }
    assert!(refused > 0, "the contact has to be bad enough to be seen");
}
