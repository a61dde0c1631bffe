//! Chains through containers: discs and file systems that `xorriso`, `mkfs.fat` and `mtools` made, the project's own disc, and damage.
//!
//! What is not installed is passed over with a line that says so; `scripts/test` installs it.

use std::path::Path;
use std::process::Command;

use image::scenario::{LARKSPUR_MAC, larkspur_main};
use image::select::Form;
use job::JobError;
use job::demo::update_disc;
use job::part::{Why, take};
use media::Source;
use media::source::FileSource;
use tempfile::TempDir;

fn installed(programs: &[&str]) -> bool {
    let folders = ["/usr/bin", "/usr/sbin", "/bin", "/sbin"];
    let found = |program: &&&str| folders.iter().any(|folder| Path::new(folder).join(program).exists());
    let missing: Vec<_> = programs.iter().filter(|program| !found(program)).collect();
    if !missing.is_empty() {
        eprintln!("passed over: {missing:?} not installed");
    }
    missing.is_empty()
}

fn run(folder: &Path, line: &str) {
    let mut shell = Command::new("sh");
    let output = shell.args(["-ec", line]).current_dir(folder).env("PATH", "/usr/bin:/usr/sbin:/bin:/sbin").output();
    let output = output.expect("a shell");
    assert!(output.status.success(), "{line}\n{}", String::from_utf8_lossy(&output.stderr));
}

fn taken(source: &dyn Source, chain: &str) -> Result<Vec<u8>, JobError> {
    take(source, &chain.parse().unwrap_or_else(|error| panic!("{chain}: {error}")), Form::Stored)
}

fn why(source: &dyn Source, chain: &str) -> (usize, Why) {
    match taken(source, chain) {
        Err(JobError::Part(error)) => (error.step, error.why),
        other => panic!("{chain}: {other:?}"),
    }
}

fn open(path: &Path) -> FileSource {
    FileSource::new(std::fs::File::open(path).expect("our own file")).expect("a file")
}

/// A disc in whose volume a drive's image lies; in its second partition a file system with the firmware, in pieces, and with
/// another disc.
fn nested() -> TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir_all(at("tree/Vendor Files")).and_then(|()| std::fs::create_dir(at("inner"))).expect("folders");
    std::fs::write(at("main.rom"), larkspur_main(7, LARKSPUR_MAC)).expect("written");
    std::fs::write(at("inner/deep.bin"), b"at the bottom").expect("written");
    std::fs::write(at("filler.bin"), vec![0x5A; 3 << 20]).expect("written");
    run(
        folder.path(),
        "xorriso -as mkisofs -quiet -o inner.iso -R inner; \
         mkfs.fat -F 16 -C two.img 40000 >/dev/null; mkfs.fat -F 12 -C one.img 1440 >/dev/null; \
         mcopy -i one.img inner/deep.bin ::/ONE.TXT; \
         for i in 1 2 3 4 5 6; do mcopy -i two.img filler.bin ::/F$i.BIN; done; \
         mdel -i two.img ::/F2.BIN ::/F4.BIN ::/F5.BIN; mmd -i two.img ::/Firmware; \
         mcopy -i two.img main.rom '::/Firmware/Main 1.18.rom'; mcopy -i two.img inner.iso ::/Firmware/inner.iso; \
         truncate -s 1M 'tree/Vendor Files/disk.img'; cat one.img two.img >>'tree/Vendor Files/disk.img'; \
         printf 'start=2048, size=2880, type=1\\nstart=4928, type=6\\n' | sfdisk -q 'tree/Vendor Files/disk.img'; \
         xorriso -as mkisofs -quiet -o disc.iso -R -b 'Vendor Files/disk.img' -c catalogue -no-emul-boot tree",
    );
    folder
}

const TOOLS: [&str; 5] = ["xorriso", "mkfs.fat", "mcopy", "sfdisk", "truncate"];

#[test]
fn a_part_comes_through_containers_that_others_made() {
    if !installed(&TOOLS) {
        return;
    }
    let folder = nested();
    let disc = open(&folder.path().join("disc.iso"));
    let main = larkspur_main(7, LARKSPUR_MAC);
    let disk = "iso:\"/Vendor Files/disk.img\"";
    assert!(taken(&disc, &format!("{disk} then fat#2:\"/firmware/main 1.18.ROM\"")).expect("there") == main);
    let region = taken(&disc, &format!("{disk} then fat#2:\"/Firmware/Main 1.18.rom\" then /region:network"));
    assert!(region.expect("there") == main[0x1000..0x3000]);
    let deep = format!("{disk} then fat#2:Firmware/inner.iso then iso:deep.bin");
    assert_eq!(taken(&disc, &deep).expect("there"), b"at the bottom");
    assert_eq!(taken(&disc, "boot then fat#1:/one.txt").expect("there"), b"at the bottom");
    // What comes out is what another tool takes out.
    run(folder.path(), "mcopy -i 'tree/Vendor Files/disk.img@@2464K' '::/Firmware/Main 1.18.rom' again.rom");
    assert!(std::fs::read(folder.path().join("again.rom")).expect("taken out") == main);
}

#[test]
fn a_step_that_fails_is_named_with_what_was_there() {
    if !installed(&TOOLS) {
        return;
    }
    let folder = nested();
    let disc = open(&folder.path().join("disc.iso"));
    let disk = "iso:\"/Vendor Files/disk.img\"";
    let (step, found) = why(&disc, "iso:/disk.img");
    let Why::NoFile { near, .. } = found else { panic!("{found:?}") };
    assert_eq!((step, near[0].as_str()), (1, "/Vendor Files/disk.img"), "the same name elsewhere is nearest");
    let (step, found) = why(&disc, &format!("{disk} then fat:/Firmware/inner.iso"));
    let Why::Number { what: "partition", there } = found else { panic!("{found:?}") };
    assert_eq!((step, there), (2, vec![1, 2]));
    assert!(matches!(why(&disc, "boot then fat#3:/x"), (2, Why::Number { what: "partition", .. })));
    assert!(matches!(why(&disc, "boot#2"), (1, Why::Number { what: "boot image", .. })));
    assert!(matches!(why(&disc, "fat:/x"), (1, Why::OtherKind { wanted: "FAT file system", .. })));
    assert!(matches!(why(&disc, &format!("{disk} then boot")), (2, Why::OtherKind { wanted: "boot catalogue", .. })));
    assert!(matches!(why(&disc, &format!("{disk} then iso:/x")), (2, Why::OtherKind { wanted: "disc image", .. })));
    let (step, found) = why(&disc, "boot then fat#1:/one.txt then file:Core");
    assert!(step == 3 && matches!(found, Why::Structure(_)), "{found:?}");
    let text = taken(&disc, "boot then fat#2:/main.rom").expect_err("elsewhere").to_string();
    assert!(text.starts_with("step 2, `fat#2:/main.rom`: there is no such file among 5 files; nearest: "), "{text}");
}

/// Archives as steps: made by Debian's `tar`, `xz` and `zip`; a member may be a disc again.
#[test]
fn a_part_comes_out_of_archives() {
    if !installed(&["tar", "xz", "mkfs.fat", "mcopy"]) {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("pack")).expect("a folder");
    std::fs::write(folder.path().join("pack/main.rom"), larkspur_main(7, LARKSPUR_MAC)).expect("written");
    run(
        folder.path(),
        "mkfs.fat -F 16 -C pack/stick.img 20000 >/dev/null; mcopy -i pack/stick.img pack/main.rom ::/MAIN.ROM; \
         ln -s /etc/passwd pack/link; tar -cJf pack.tar.xz pack; xz -k pack/main.rom",
    );
    let packed = open(&folder.path().join("pack.tar.xz"));
    let main = larkspur_main(7, LARKSPUR_MAC);
    assert!(taken(&packed, "archive:pack/main.rom").expect("there") == main);
    let region = taken(&packed, "archive:PACK/stick.img then fat:/main.rom then /region:network");
    assert!(region.expect("there") == main[0x1000..0x3000]);
    let alone = open(&folder.path().join("pack/main.rom.xz"));
    assert!(taken(&alone, "archive:content").expect("there") == main);
    let (step, found) = why(&packed, "archive:main.rom");
    assert!(step == 1 && matches!(&found, Why::NoFile { near, .. } if near[0] == "/pack/main.rom"), "{found:?}");
    assert!(matches!(why(&packed, "archive:pack/link"), (1, Why::Archive(_))), "a link leads elsewhere");
    assert!(matches!(why(&alone, "archive:content then archive:x"), (2, Why::OtherKind { wanted: "archive", .. })));
}

/// The project's own disc: the recipe's own chain, and what the recipe pins it by.
#[test]
fn the_scenarios_disc_is_the_one_that_recipe_and_profile_pin() {
    let disc = update_disc();
    let pin = image::pin::Pin::sha256(&disc).to_string();
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../profiles");
    for file in ["recipes/larkspur-main.toml", "larkspur-nine.toml"] {
        let text = std::fs::read_to_string(root.join(file)).expect("the project's own file");
        assert!(text.contains(&pin), "{file} does not have {pin}");
    }
    let stick = image::pin::Pin::sha256(&taken(&disc, "boot").expect("it starts something")).digits();
    let profile = std::fs::read_to_string(root.join("larkspur-nine.toml")).expect("the project's own file");
    assert!(profile.contains(&stick), "the profile does not have {stick}");
    let chain = "boot then fat:/UPDATE/MAIN118.CAP then file:LarkMemoryPart/section%2/section%19";
    let part = take(&disc, &chain.parse().expect("a chain"), Form::Decoded).expect("it is there");
    assert!(part == larkspur_main(7, LARKSPUR_MAC)[0xC8_0000..0xD0_0000]);
}

/// Flipped bytes and cuts anywhere in what leads to the part: an answer or an error, never a panic, never for long.
#[test]
fn s10_damage_anywhere_is_an_answer_or_an_error() {
    let whole = update_disc();
    let chain = "boot then fat:/UPDATE/PORT012.BIN";
    let sound = taken(&whole, chain).expect("it is sound");
    let seed = std::env::var("FIRMHAND_SEED").ok().map_or(7, |seed| seed.parse().expect("a number"));
    let mut random = fastrand::Rng::with_seed(seed);
    let mut unharmed = 0;
    // Volume descriptors and folder; the drive's first sector; the file system's heads, tables and first folder.
    let image = 24 * 2048;
    let heads = [16 * 2048..24 * 2048, image..image + 512, image + (1 << 20)..image + (1 << 20) + 161 * 512 + 4096];
    for round in 0..300 {
        let mut damaged = whole.clone();
        for _ in 0..random.usize(1..6) {
            let head = heads[random.usize(..heads.len())].clone();
            damaged[random.usize(head)] = random.u8(..);
        }
        if round % 10 == 0 {
            damaged.truncate(random.usize(..damaged.len()));
        }
        match taken(&damaged, chain) {
            Ok(bytes) => unharmed += usize::from(bytes == sound),
            Err(JobError::Part(error)) => assert!(!error.to_string().contains(char::is_control)),
            Err(error) => panic!("{error}\nagain: FIRMHAND_SEED={seed} cargo test -p job s10_damage_anywhere"),
        }
    }
    assert!((1..300).contains(&unharmed), "some damage hits and some does not: {unharmed}");
}

/// A file that claims more than memory has is refused before it is loaded.
#[test]
fn s10_a_claim_of_gigabytes_loads_nothing() {
    struct Huge;
    impl Source for Huge {
        fn len(&self) -> u64 {
            1 << 40
        }

        fn read_at(&self, _: u64, buffer: &mut [u8]) -> Result<(), media::Error> {
            assert!(buffer.len() <= 1 << 20, "only heads are looked at");
            buffer.fill(0);
            Ok(())
        }
    }
    assert!(matches!(why(&Huge, "volume"), (1, Why::TooLarge(_))));
    assert!(matches!(why(&Huge, "iso:/x"), (1, Why::OtherKind { .. })));
}
