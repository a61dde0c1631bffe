use super::*;

fn of(bytes: &[u8]) -> Sums {
    let also = [Sum::Md5, Sum::Sha1, Sum::Sha224, Sum::Sha384, Sum::Blake2b];
    sums::<()>(&mut &bytes[..], &also, Vec::new()).unwrap().0
}

fn check(bytes: &[u8], expected: &[(Sum, &str)]) {
    let sums = of(bytes);
    assert_eq!(sums.size, bytes.len() as u64);
    for (sum, digits) in expected {
        assert_eq!(sums.digits(*sum), Some(*digits), "{}", sum.name());
    }
}

/// FIPS 180-4 by NIST's example files (SHA_All, one block and one million times "a"); RFC 1321 section A.5; RFC 7693 appendix A.
#[test]
fn published_vectors() {
    check(
        b"abc",
        &[
            (Sum::Md5, "900150983cd24fb0d6963f7d28e17f72"),
            (Sum::Sha1, "a9993e364706816aba3e25717850c26c9cd0d89d"),
            (Sum::Sha224, "23097d223405d8228642a477bda255b32aadbce4bda0b3f7e36c9da7"),
            (Sum::Sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            (
                Sum::Sha384,
                "cb00753f45a35e8bb5a03d699ac65007272c32ab0eded1631a8b605a43ff5bed8086072ba1e7cc2358baeca134c825a7",
            ),
            (
                Sum::Sha512,
                "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
                 2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
            ),
            (
                Sum::Blake2b,
                "ba80a53f981c4d0d6a2797b69f12f6e94c212f14685ac4b74b12bb6fdbffa2d1\
                 7d87c5392aab792dc252d5de4533cc9518d38aa8dbf1925ab92386edd4009923",
            ),
        ],
    );
    check(
        &[b'a'; 1_000_000],
        &[
            (Sum::Sha256, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
            (
                Sum::Sha512,
                "e718483d0ce769644e2e42c7bc15b4638e1f98b13b2044285632a803afa973eb\
                 de0ff244877ea60a4cb0432ce577c31beb009c5c2c49aa2e4eadb217ad8cc09b",
            ),
        ],
    );
}

/// The vectors that BLAKE3's authors publish (`test_vectors.json`): byte number N of the input is N modulo 251.
#[test]
fn published_vectors_of_blake3() {
    for (len, digits) in [
        (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
        (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
        (1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
        (102_400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
    ] {
        let bytes: Vec<u8> = (0..len).map(|at| u8::try_from(at % 251).unwrap()).collect();
        check(&bytes, &[(Sum::Blake3, digits)]);
    }
}

#[test]
fn taps_read_the_same_bytes_and_may_stop_early() {
    // More pieces than there are buffers under way, and a last one that is not full.
    let bytes: Vec<u8> = (0..PIECE * 11 + 77).map(|at| u8::try_from(at % 253).unwrap()).collect();
    let all: Tap<'_, usize> = Box::new(|source| {
        let mut read = Vec::new();
        source.read_to_end(&mut read).unwrap();
        assert!(read == bytes);
        read.len()
    });
    let few: Tap<'_, usize> = Box::new(|source| source.read(&mut [0; 10]).unwrap());
    let none: Tap<'_, usize> = Box::new(|_| 0);
    let (sums, taps) = sums(&mut bytes.as_slice(), &[], vec![all, few, none]).unwrap();
    assert_eq!(taps, [bytes.len(), 10, 0]);
    assert_eq!(sums.digits(Sum::Blake3), Some(&*blake3::hash(&bytes).to_hex()));
    assert_eq!(sums.all().map(|(sum, _)| sum).collect::<Vec<_>>(), Sum::ALWAYS);
}

#[test]
fn what_the_source_says_is_told() {
    struct Bad(usize);
    impl Read for Bad {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            self.0 = self.0.checked_sub(1).ok_or(io::ErrorKind::TimedOut)?;
            Ok(buffer.len())
        }
    }
    for turns in [0, 1, 9] {
        let error = sums::<()>(&mut Bad(turns), &[], Vec::new()).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }
}
