//! Puts the memory layout where the linker looks for it.
use std::path::PathBuf;
use std::{env, fs};

fn main() {
    let out = PathBuf::from(env::var_os("OUT_DIR").unwrap());
    fs::write(out.join("memory.x"), include_bytes!("../memory.x")).unwrap();
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rerun-if-changed=../memory.x");
    for argument in ["--nmagic", "-Tlink.x", "-Tlink-rp.x"] {
        println!("cargo:rustc-link-arg-bins={argument}");
    }
}
