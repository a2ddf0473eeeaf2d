//! `dryfire rig info`, `selftest` and `calibrate` against the rig's program on an emulated board.

use std::io::{BufRead, BufReader, Write};
use std::process::{Output, Stdio};

use dryfire_link::{HostMessage, RigMessage};
use dryfire_tests::boards::{Host, Setup, TwoBoards, tools_or_skip};
use dryfire_tests::dryfire;

fn rig(command: &str, boards: &TwoBoards) -> Output {
    dryfire().args(["rig", command, "--port"]).arg(&boards.port).output().expect("dryfire starts")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn a_self_test_over_loop_back_wires_holds_and_finds_the_broken_wire() {
    let Some(tools) = tools_or_skip() else { return };
    for (broken, status) in [(Vec::new(), 0), (vec![3, 6], 1)] {
        let boards = TwoBoards::start(&tools, &Setup { looped: true, silicon: true, broken, ..Setup::default() });
        let ran = rig("selftest", &boards);
        let out = text(&ran.stdout);
        assert_eq!(ran.status.code(), Some(status), "{out} {}", text(&ran.stderr));
        for line in [
            "held        watchdog",
            "held        safe state when the host is silent",
            "held        contact 0 to input 0",
        ] {
            assert!(out.contains(line), "{line}: {out}");
        }
        if status == 0 {
            assert!(out.contains("12 held, 0 failed"), "{out}");
        } else {
            assert!(out.contains("FAILED      contact 3 to input 3: closed: input 3 did not change"), "{out}");
            assert!(out.contains("FAILED      probe channel 1"), "{out}");
            assert!(out.contains("10 held, 2 failed"), "{out}");
        }
        let info = rig("info", &boards);
        assert!(text(&info.stdout).contains("restarted by its watchdog"), "{}", text(&info.stdout));
    }
}

#[test]
fn a_calibration_finds_what_the_channels_give_and_is_kept_over_a_loss_of_power() {
    let Some(tools) = tools_or_skip() else { return };
    // Invented: within the 0.3 % and 30 µV that the parts may be off.
    let scales = [(-10.021, 90.18), (-9.978, 89.85), (-10.004, 90.24)];
    let setup = Setup { looped: true, silicon: true, scales: Some(scales), ..Setup::default() };
    let mut boards = TwoBoards::start(&tools, &setup);
    let mut child = dryfire()
        .args([
            "rig",
            "calibrate",
            "--instrument",
            "DMM no 3",
            "--meter-microvolts",
            "3",
            "--date",
            "2026-11-25",
            "--port",
        ])
        .arg(&boards.port)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("dryfire starts");
    let mut typing = child.stdin.take().expect("a pipe");
    let mut told = String::new();
    let mut asked = 0;
    for line in BufReader::new(child.stdout.take().expect("a pipe")).lines().map_while(Result::ok) {
        if let Some((words, _)) = line.split_once(" is set to ") {
            let channel: usize = words.trim_start_matches("channel ").parse().expect("a channel");
            // The meter: what is between the terminals, to a tenth of a microvolt.
            let millivolts = boards.state().0["millivolts"][channel].as_f64().expect("volts");
            writeln!(typing, "{millivolts:.4}").expect("it reads");
            asked += 1;
        }
        told += &line;
        told.push('\n');
    }
    assert_eq!(child.wait().expect("it ends").code(), Some(0), "{told}");
    assert_eq!(asked, 21, "{told}");

    boards.tell("unplug");
    let info = rig("info", &boards);
    let out = text(&info.stdout);
    assert_eq!(info.status.code(), Some(0), "{out} {}", text(&info.stderr));
    assert!(out.contains("of 2026-11-25, ±") && out.contains("DMM no 3"), "{out}");

    // Now the channels give what they are asked for: within a step of 1.4 µV and what is left of the fit.
    let mut host = Host::greet(&boards.port, 77);
    let origin = host.begin(1_000, 0);
    for (number, nanovolts) in [-8_000_000, 1_234_567, 41_276_000, 77_000_000].into_iter().enumerate() {
        for channel in 0..3u8 {
            let command = number as u32 * 3 + u32::from(channel);
            let drive = dryfire_link::ProbeDrive::Voltage {
                nanovolts,
                nanovolts_per_second: 0,
                valid_until: dryfire_units::RigTime::FAR_FUTURE,
            };
            host.say(&HostMessage::Probe { command, at: origin, channel, drive });
            host.wait_for(|message| {
                matches!(message, RigMessage::Applied { command: applied, .. } if *applied == command).then_some(())
            });
        }
        let (state, _) = boards.state();
        for channel in 0..3 {
            let given = state["millivolts"][channel].as_f64().expect("volts") * 1e6;
            assert!((given - f64::from(nanovolts)).abs() <= 2_000.0, "channel {channel}: {given} for {nanovolts}");
        }
    }
    assert_eq!(boards.state().0["trouble"], serde_json::Value::Array(Vec::new()));
}
