//! Signed with an ordinary tool.

use std::fs;
use std::process::{Command, Stdio};

use dryfire_record::seal;
use dryfire_tests::dryfire;

use crate::{small, text};

#[test]
fn a_signature_over_the_seal_shows_who_vouches_for_a_record() {
    if Command::new("ssh-keygen").arg("-?").stdout(Stdio::null()).stderr(Stdio::null()).status().is_err() {
        eprintln!("skipped: ssh-keygen is not installed, so signing was not tried");
        return;
    }
    let (folder, path) = small();
    let call = |command: &str| {
        Command::new("sh").args(["-c", command]).current_dir(folder.path()).output().expect("a shell starts")
    };
    // The steps of docs/record.md, with an empty passphrase.
    let page = dryfire_tests::read("docs/record.md");
    let steps = [
        ("ssh-keygen -t ed25519 -f kiln-key -C studio", " -N '' -q"),
        ("echo \"studio $(cut -d' ' -f1,2 kiln-key.pub)\" > signers", ""),
        ("ssh-keygen -Y sign -f kiln-key -n dryfire-record RECORD.seal", ""),
        ("ssh-keygen -Y verify -f signers -I studio -n dryfire-record -s RECORD.seal.sig < RECORD.seal", ""),
    ];
    for (step, more) in steps {
        assert!(page.contains(step), "docs/record.md says: {step}");
        let output = call(&format!("{}{more}", step.replace("RECORD", "small.sqlite")));
        assert!(output.status.success(), "{step}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let verify = dryfire().args(["verify", text(&path)]).output().expect("dryfire starts");
    assert!(String::from_utf8_lossy(&verify.stdout).contains("A signature lies beside it"));
    // A seal that was made anew for a record that was changed on purpose.
    let seal_path = seal::path_of(&path);
    let forged = fs::read_to_string(&seal_path).expect("a seal").replacen("bytes ", "bytes 1", 1);
    fs::write(&seal_path, forged).expect("written");
    let output = call(&steps[3].0.replace("RECORD", "small.sqlite"));
    assert!(!output.status.success(), "the signature is of another seal");
}
