//! Rebuilds the crate, which embeds the migrations, when one is added.

fn main() {
    println!("cargo:rerun-if-changed=../../migrations");
}
