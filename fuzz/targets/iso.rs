#![no_main]

use libfuzzer_sys::fuzz_target;
use media::iso::Volume;

fuzz_target!(|input: &[u8]| {
    let input = input.to_vec();
    let Ok(Some(volume)) = Volume::find(&input) else { return };
    if let Ok(files) = volume.files(&input) {
        // A path has no step that leads elsewhere, and nothing that moves a cursor.
        for file in files {
            assert!(file.path.starts_with('/') && !file.path.contains(char::is_control), "{:?}", file.path);
            assert!(file.path.split('/').skip(1).all(|name| !matches!(name, "" | "." | "..")), "{:?}", file.path);
        }
    }
    if let Some(sector) = volume.catalogue {
        let _ = media::boot::Catalogue::read(&input, sector);
    }
});
