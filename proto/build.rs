//! Compiles the `.proto` files without an installed protoc, and exports the descriptor set beside the generated code.

use std::path::PathBuf;
use std::{env, error, fs};

use protox::prost::Message;

fn main() -> Result<(), Box<dyn error::Error>> {
    println!("cargo:rerun-if-changed=fitup");
    let files = [
        "shop",
        "shop_service",
        "order",
        "order_service",
        "plan",
        "plan_run",
        "plan_service",
        "token_service",
        "history_service",
        "intake",
        "floor",
        "replan_service",
        "explain_service",
        "quote_service",
        "rehearsal_service",
    ]
    .map(|file| format!("fitup/v1/{file}.proto"));
    let descriptors = protox::Compiler::new(["."])?
        .include_source_info(true)
        .include_imports(true)
        .open_files(files)?
        .file_descriptor_set();
    let out = PathBuf::from(env::var("OUT_DIR")?);
    fs::write(out.join("descriptors.bin"), descriptors.encode_to_vec())?;
    tonic_prost_build::configure().compile_fds(descriptors)?;
    Ok(())
}
