//! A part of a chip is written: the rest of its sectors is as it was, also when the write was cut off and run again.

use std::fs;
use std::path::PathBuf;

use job::{ApplyReport, ChipOptions, JobError, Nobody, Place, Session, Target};
use tempfile::TempDir;

const SIZE: usize = 512 * 1024;
/// In the middle of a sector.
const AT: usize = 0x1_2345;

struct Stage {
    folder: TempDir,
    first: Vec<u8>,
    part: Vec<u8>,
}

impl Stage {
    fn set(seed: u64) -> Self {
        let mut random = fastrand::Rng::with_seed(seed);
        let first: Vec<u8> = (0..SIZE).map(|_| random.u8(..)).collect();
        let part = (0..300).map(|_| random.u8(..)).collect();
        let stage = Self { folder: tempfile::tempdir().expect("a folder"), first, part };
        fs::write(stage.path("chip.bin"), &stage.first).expect("our own file");
        stage.bench_file("");
        stage
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn bench_file(&self, fault: &str) {
        let text =
            format!("[chip]\nmarking = \"MX25L4005A\"\ncontent = \"chip.bin\"\n[link]\nclock_hz = 12000000\n{fault}");
        fs::write(self.path("chip.toml"), text).expect("our own file");
    }

    fn apply(&self) -> Result<(ApplyReport, u64), JobError> {
        let options = ChipOptions { link: self.path("chip.toml").display().to_string(), ..ChipOptions::default() };
        let mut nobody = Nobody;
        let mut session = Session::open(&self.path("bench"), options, "test", &mut nobody)?;
        let target = Target { name: "part".into(), bytes: self.part.clone(), place: Place::At(AT as u64) };
        let report = session.apply(&target)?;
        Ok((report, session.link_us()))
    }

    fn wanted(&self) -> Vec<u8> {
        let mut wanted = self.first.clone();
        wanted[AT..AT + self.part.len()].copy_from_slice(&self.part);
        wanted
    }

    fn cells(&self) -> Vec<u8> {
        fs::read(self.path("chip.bin")).expect("the chip's content")
    }
}

/// The fault campaign found this: the sector around a part is erased and written back, and only the part was read again.
/// What went wrong beside it would have been called done.
#[test]
fn s3_the_sector_around_a_part_is_read_again_as_a_whole() {
    let stage = Stage::set(7);
    let (report, _) = stage.apply().expect("nothing is in the way");
    assert_eq!(stage.cells(), stage.wanted());
    assert_eq!((report.at as usize, report.len as usize), (AT, 300), "what was asked for");
    assert_eq!(report.verified_bytes, 4096, "what was written");
}

/// The fault campaign found this too: cut off after the erase, the same command took the blank rest of the sector for
/// what was to stay there. It said that it was done, and the bytes beside the part were gone.
#[test]
fn s2_a_part_that_was_cut_off_brings_back_what_stood_beside_it() {
    let whole = Stage::set(7).apply().expect("nothing is in the way").1;
    let mut cut = 0;
    for step in 0..12 {
        let stage = Stage::set(7);
        // The write is the last quarter of the command.
        let at_us = whole - whole / 4 * step / 12;
        stage.bench_file(&format!("[[fault]]\nkind = \"power-cut\"\nat_us = {at_us}\n"));
        cut += u32::from(stage.apply().is_err() && stage.cells() != stage.first);
        stage.bench_file("");
        stage.apply().expect("the fault is over");
        assert!(stage.cells() == stage.wanted(), "cut at {at_us} us");
    }
    assert!(cut > 0, "some cut has to come in the middle of the write");
}
