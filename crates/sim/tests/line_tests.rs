//! The line test under each fault: levels under both pulls, time to rise, what moves together, the supply.
//!
//! Expected values follow from the circuit as `line_test` describes it: 50 kOhm pulls in the link, 10 kOhm pull-ups on the
//! board, 10 pF of lead, 20 pF of chip and board; half of the supply is reached after 0.69 R C.

mod common;

use common::{blank, change, send};
use nor::link::{Answer, LineReport, LineState, Link, Request, SIGNALS, Signal};
use sim::VirtualBench;

const SMALL: &str = "marking = \"W25Q80DV\"";
const LINK: &str = "[link]\nfeatures = [\"line-test\"]\n";

/// CS# DO WP# DI CLK HOLD#, a letter each: `H` held up, `h` high both ways, `L` low both ways, `f` follows with a chip
/// on it, `o` follows with nothing on it.
fn letters(report: &LineReport) -> String {
    report.lines.iter().map(letter).collect()
}

fn letter(line: &LineState) -> char {
    match (line.pulled_up, line.pulled_down, line.rise_ns) {
        (true, true, Some(173)) => 'H',
        (true, true, None) => 'h',
        (false, false, None) => 'L',
        (true, false, Some(1035)) => 'f',
        (true, false, Some(345)) => 'o',
        other => panic!("{:?}: {other:?}", line.signal),
    }
}

fn test(bench: &mut VirtualBench) -> LineReport {
    match bench.run(&Request::LineTest, u64::MAX).expect("the link is there") {
        Answer::Lines(report) => report,
        other => panic!("a line test was answered by {other:?}"),
    }
}

fn bench(lines: &str) -> VirtualBench {
    blank(SMALL, &format!("{LINK}[[fault]]\n{lines}"))
}

fn moves_alone(report: &LineReport) -> bool {
    report.lines.iter().all(|line| line.moved == SIGNALS.map(|signal| signal == line.signal))
}

#[test]
fn each_fault_shows_as_its_circuit_has_it() {
    let open = |signal: &str| format!("kind = \"open-contact\"\nsignal = \"{signal}\"");
    for (lines, wanted, supply_mv) in [
        ("kind = \"noise\"\nrate = 1".to_owned(), "HfHffH", 3300),
        (open("chip-select"), "ofHffH", 3300),
        (open("data-out"), "HoHffH", 3300),
        ("kind = \"open-data-out\"\npull = \"down\"".to_owned(), "HoHffH", 3300),
        (open("write-protect"), "HfoffH", 3300),
        (open("data-in"), "HfHofH", 3300),
        (open("clock"), "HfHfoH", 3300),
        (open("hold"), "HfHffo", 3300),
        (open("supply"), "LLLLLL", 0),
        (open("ground"), "HHHHHH", 3300),
        ("kind = \"supply-dip\"".to_owned(), "LLLLLL", 0),
        ("kind = \"weak-data-out\"\nrate = 1".to_owned(), "HfHffH", 3300),
        ("kind = \"clock-slip\"\nrate = 1".to_owned(), "HfHffH", 3300),
        ("kind = \"select-bounce\"\nrate = 1".to_owned(), "HfHffH", 3300),
        ("kind = \"address-error\"\nrate = 1".to_owned(), "HfHffH", 3300),
        ("kind = \"late-sampling\"\nrate = 1".to_owned(), "HfHffH", 3300),
        ("kind = \"constant-shift\"".to_owned(), "HfHffH", 3300),
        ("kind = \"size-alias\"".to_owned(), "HfHffH", 3300),
        ("kind = \"hold-floating\"\nrate = 1".to_owned(), "HfHfff", 3300),
        ("kind = \"hold-floating\"\nsignal = \"write-protect\"".to_owned(), "HffffH", 3300),
        // Down by a tenth of the depth between sags; in one, 0.6 of it less 0.4 of the depth.
        ("kind = \"supply-sag\"\nrate = 0\nseverity = 1".to_owned(), "HfHffH", 2970),
        ("kind = \"supply-sag\"\nat_us = 0\nseverity = 0.5".to_owned(), "HfHffH", 1320),
        ("kind = \"bus-contention\"\nrate = 0".to_owned(), "HfHffH", 3300),
    ] {
        let mut bench = bench(&lines);
        let report = test(&mut bench);
        assert_eq!((letters(&report).as_str(), report.supply_mv), (wanted, Some(supply_mv)), "{lines}");
        assert!(moves_alone(&report), "{lines}");
        assert_eq!(report.lines.iter().map(|line| line.signal).collect::<Vec<_>>(), SIGNALS);
    }
}

#[test]
fn an_open_line_beside_another_moves_with_it() {
    let report = test(&mut bench("kind = \"open-data-out\"\npull = \"neighbour\""));
    let data_in = report.lines[3];
    assert_eq!((data_in.signal, data_in.moved), (Signal::DataIn, [false, true, false, true, false, false]));
    assert!(
        report
            .lines
            .iter()
            .filter(|line| line.signal != Signal::DataIn)
            .all(|line| line.moved[1] == (line.signal == Signal::DataOut))
    );
}

#[test]
fn another_master_holds_the_lines_against_the_link_in_its_bursts() {
    // One burst from 1,000 us on, a tenth of 10 ms long.
    let mut bench = bench("kind = \"bus-contention\"\nat_us = 1000\nseverity = 0.1");
    assert_eq!(letters(&test(&mut bench)), "HfHffH");
    bench.wait_us(1000);
    let mut levels = [[0; 2]; 6]; // by line, low and high
    for _ in 0..64 {
        let report = test(&mut bench);
        for ((line, own), levels) in report.lines.iter().zip(0..).zip(&mut levels) {
            let drives = matches!(line.signal, Signal::ChipSelect | Signal::DataOut | Signal::DataIn | Signal::Clock);
            assert_eq!(line.moved[own], !drives, "{:?}", line.signal);
            if drives {
                assert_eq!((line.pulled_up, line.rise_ns), (line.pulled_down, None), "{:?}", line.signal);
                levels[usize::from(line.pulled_up)] += 1;
            }
        }
    }
    for signal in [0, 1, 3, 4] {
        assert!(levels[signal].iter().all(|count| *count > 10), "it drives both levels: {levels:?}");
    }
    bench.wait_us(1000);
    assert_eq!(letters(&test(&mut bench)), "HfHffH");
}

#[test]
fn a_slipping_clip_shows_while_it_is_off_and_not_before_or_behind() {
    let mut bench = blank(
        SMALL,
        &format!("{LINK}[[fault]]\nkind = \"open-contact\"\nsignal = \"clock\"\nfrom_us = 1000\nuntil_us = 401000"),
    );
    let mut seen = Vec::new();
    for _ in 0..6 {
        let answers = send(&mut bench, &[0x9F], 3) == [0xEF, 0x40, 0x14];
        seen.push((letter(&test(&mut bench).lines[4]), answers));
        bench.wait_us(100_000);
    }
    let (good, bad) = (('f', true), ('o', false));
    assert_eq!(seen, [good, bad, bad, bad, bad, good]);
}

#[test]
fn a_contact_that_comes_and_goes_shows_as_it_stands() {
    let mut bench = bench("kind = \"open-contact\"\nsignal = \"data-in\"\nrate = 0.01\nseverity = 0.5");
    let (mut open, mut failed) = (0, 0);
    for _ in 0..400 {
        failed += usize::from(send(&mut bench, &[0x9F], 3) != [0xEF, 0x40, 0x14]);
        open += usize::from(letter(&test(&mut bench).lines[3]) == 'o');
    }
    assert!((130..270).contains(&open) && failed > 130, "{open} of 400 tests, {failed} ids");
}

#[test]
fn a_test_changes_nothing_on_the_chip() {
    let mut bench = bench("kind = \"noise\"\nrate = 0");
    change(&mut bench, &[0x02, 0, 0, 0, 0x12]);
    send(&mut bench, &[0x06], 0);
    let (content, state) = (bench.chip_content(), bench.chip_state());
    test(&mut bench);
    assert_eq!((bench.chip_content(), bench.chip_state()), (content, state));
}
