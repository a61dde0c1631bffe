//! `reads judge` on files: agreement, disputes, the same file twice, other lengths, and what is offered.

use image::scenario::{LARKSPUR_MAC, larkspur_port, meadowlark_main};
use serde_json::Value;

use crate::common::{Bench, MIB, noise, snapshot};

fn bench() -> Bench {
    let bench = Bench::new();
    let good = larkspur_port(7);
    bench.write("a.bin", &good);
    bench.write("b.bin", &good);
    let mut flipped = good.clone();
    for at in [0x1234, 0x8_1000, 0x8_2001] {
        flipped[at] ^= 0x10;
    }
    bench.write("flipped.bin", &flipped);
    let mut shifted = good.clone();
    shifted[0x4_0000..].rotate_right(1);
    bench.write("short.bin", &good[..good.len() / 2]);
    bench.write("shifted.bin", &shifted);
    bench.write("empty.bin", &[]);
    bench.write("blank.bin", &vec![0xFF; MIB]);
    bench.write("blank2.bin", &vec![0xFF; MIB]);
    bench
}

#[test]
fn a_verdict_in_ten_lines_or_fewer() {
    let bench = bench();
    let runs = [
        bench.run("reads judge a.bin b.bin").expect(0),
        bench.run("reads judge a.bin a.bin").expect(1),
        bench.run("reads judge a.bin flipped.bin").expect(1),
        bench.run("reads judge a.bin flipped.bin b.bin").expect(1),
        bench.run("reads judge a.bin short.bin").expect(1),
        bench.run("reads judge a.bin empty.bin").expect(1),
        bench.run("reads judge blank.bin blank2.bin").expect(1),
        bench.run("reads judge a.bin").expect(1),
        bench.run("reads judge a.bin nosuch.bin").expect(2),
    ];
    assert!(runs.iter().all(|ran| ran.stdout.lines().count() <= 10));
    snapshot("reads_judge", &bench, &runs);
}

#[test]
fn a_majority_is_offered_with_counts_and_never_taken_unasked() {
    let bench = bench();
    let report = bench.run("reads judge flipped.bin a.bin b.bin --json").expect(1).object();
    assert_eq!((&report["verdict"], &report["differing_bits"]), (&Value::from("disputed"), &Value::from(3)));
    let offer = &report["offer"];
    assert_eq!((&offer["by_majority"], &offer["open"]), (&Value::from(3), &Value::from(0)), "{report:#}");
    assert!(offer.get("file").is_none());
    bench.run("reads judge flipped.bin a.bin b.bin --offer together.bin").expect(1);
    assert!(bench.read("together.bin") == larkspur_port(7));
    bench.run("reads judge a.bin b.bin --offer no.bin").expect(2);
    assert!(!bench.path("no.bin").exists());
}

/// Rule 5: a sum inside the content that holds in one file and fails in the other decides between two.
#[test]
fn a_sum_inside_decides_where_two_files_differ() {
    let bench = Bench::new();
    let good = meadowlark_main(7, LARKSPUR_MAC);
    let mut bad = good.clone();
    bad[0x1020] ^= 4;
    bench.write("good.bin", &good);
    bench.write("bad.bin", &bad);
    for files in ["good.bin bad.bin", "bad.bin good.bin"] {
        let report = bench.run(&format!("reads judge {files} --json")).expect(1).object();
        assert_eq!((&report["offer"]["by_proof"], &report["offer"]["open"]), (&1.into(), &0.into()), "{report:#}");
        std::fs::remove_file(bench.path("together.bin")).ok();
        bench.run(&format!("reads judge {files} --offer together.bin")).expect(1);
        assert!(bench.read("together.bin") == good, "{files}");
    }
}

#[test]
fn s10_ten_files_a_hard_link_and_files_of_no_use() {
    let bench = bench();
    let ten = "reads judge a.bin b.bin a.bin b.bin a.bin b.bin a.bin b.bin a.bin b.bin --json";
    let report = bench.run(ten).expect(0).object();
    assert_eq!(report["passes"], 2, "two files, however often they are named");
    std::fs::hard_link(bench.path("a.bin"), bench.path("link.bin")).expect("a hard link");
    let report = bench.run("reads judge a.bin link.bin --json").expect(1).object();
    assert_eq!((&report["verdict"], &report["passes"]), (&"refused".into(), &1.into()));
    bench.write("noise.bin", &noise(9, 5000));
    bench.run("reads judge noise.bin /dev/zero").expect(2);
    bench.run("reads judge").expect(2);
}
