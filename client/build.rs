//! Lists the job outlines, so that a new file in `outlines` is all that it takes to add one.

use std::path::{Path, PathBuf};
use std::{env, error, fs};

fn main() -> Result<(), Box<dyn error::Error>> {
    println!("cargo:rerun-if-changed=outlines");
    let folder = Path::new(&env::var("CARGO_MANIFEST_DIR")?).join("outlines");
    let mut files: Vec<PathBuf> =
        fs::read_dir(folder)?.map(|entry| Ok(entry?.path())).collect::<Result<_, std::io::Error>>()?;
    files.retain(|file| file.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    let mut list = String::from("&[\n");
    for file in files {
        let id = file.file_stem().and_then(|stem| stem.to_str()).ok_or("an outline's file name is not UTF-8")?;
        // Relative to where the sources are when this is compiled: several checkouts may share a target folder.
        let path = format!("/outlines/{id}.toml");
        list += &format!("    ({id:?}, include_str!(concat!(env!(\"CARGO_MANIFEST_DIR\"), {path:?}))),\n");
    }
    list += "]\n";
    fs::write(Path::new(&env::var("OUT_DIR")?).join("outlines.rs"), list)?;
    Ok(())
}
