#![no_main]

use libfuzzer_sys::fuzz_target;
use media::fat::Fat;
use media::medium::copy;
use media::source::Source;

fuzz_target!(|input: &[u8]| {
    let input = input.to_vec();
    let Ok(Some(fat)) = Fat::find(&input) else { return };
    let Ok(files) = fat.files(&input) else { return };
    for file in files.iter().take(50) {
        assert!(file.path.split('/').skip(1).all(|name| !matches!(name, "" | "." | "..")), "{:?}", file.path);
        let Ok(opened) = fat.open(&input, file) else { continue };
        assert_eq!(opened.len(), file.len);
        // In one go and in pieces, the bytes are the same.
        let mut whole = Vec::new();
        let read = copy(&opened, 0, opened.len(), &mut |piece| {
            whole.extend_from_slice(piece);
            Ok(())
        });
        if read.is_ok() {
            assert_eq!(whole.len() as u64, file.len);
            let middle = whole.len() / 3;
            let mut piece = vec![0; (whole.len() - middle).min(700)];
            opened.read_at(middle as u64, &mut piece).expect("it was read before");
            assert_eq!(piece, whole[middle..middle + piece.len()]);
        }
    }
});
