//! Whether tokens are asked for, and where the server may listen without TLS.

use std::net::SocketAddr;

use crate::config::Config;

/// Whether tokens are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Whoever gets here may do everything.
    Open,
    /// Every call needs a token.
    Tokens,
}

/// It will not listen: anybody on the network could listen in, or get in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "fitupd does not listen on {address} without TLS; give --tls-cert and --tls-key, or listen on 127.0.0.1, or say \
    --open-to-network (add --require-tokens if a proxy does TLS)"
)]
pub struct Exposed {
    /// Where it was to listen.
    pub address: SocketAddr,
}

/// Returns whether tokens are asked for on `address`.
///
/// # Errors
/// If the server may not listen there as it is set.
pub fn mode(config: &Config, address: SocketAddr) -> Result<Mode, Exposed> {
    let has_tls = config.tls_cert.is_some();
    let is_near = address.ip().to_canonical().is_loopback();
    if !has_tls && !is_near && !config.open_to_network {
        return Err(Exposed { address });
    }
    Ok(if has_tls || config.require_tokens { Mode::Tokens } else { Mode::Open })
}

/// Says in the log who gets in.
pub fn tell(mode: Mode, config: &Config, address: SocketAddr, is_first: bool) {
    match mode {
        Mode::Open if address.ip().to_canonical().is_loopback() => {
            tracing::info!(
                "open for a first try: whoever can log in to this machine may do everything; --tls-cert or --require-tokens ends that"
            );
        }
        Mode::Open => tracing::warn!("open to the network: whoever reaches {address} may do everything, and listen in"),
        Mode::Tokens if is_first => {
            tracing::warn!("nobody gets in: there is no token yet; make the first with `fitupd token create`");
        }
        Mode::Tokens if config.tls_cert.is_none() => tracing::info!("every call needs a token; there is no TLS here"),
        Mode::Tokens => tracing::info!("every call needs a token, by TLS"),
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Cli {
        #[command(flatten)]
        config: Config,
    }

    #[test]
    fn nobody_gets_in_by_accident() {
        const TLS: &str = "--tls-cert=cert.pem --tls-key=key.pem";
        let check = |address: &str, flags: &str, expected: Option<Mode>| {
            let words = ["fitupd"].into_iter().chain(flags.split(' ').filter(|word| !word.is_empty()));
            let config = Cli::parse_from(words).config;
            assert_eq!(mode(&config, address.parse().unwrap()).ok(), expected, "{address} {flags}");
        };
        for near in ["127.0.0.1:1", "127.9.9.9:1", "[::1]:1", "[::ffff:127.0.0.1]:1"] {
            check(near, "", Some(Mode::Open));
            check(near, "--open-to-network", Some(Mode::Open));
            check(near, "--require-tokens", Some(Mode::Tokens));
            check(near, TLS, Some(Mode::Tokens));
        }
        for far in ["0.0.0.0:1", "192.0.2.1:1", "[::]:1", "[2001:db8::1]:1", "[::ffff:192.0.2.1]:1"] {
            check(far, "", None);
            check(far, "--require-tokens", None);
            check(far, TLS, Some(Mode::Tokens));
            check(far, "--open-to-network", Some(Mode::Open));
            check(far, "--open-to-network --require-tokens", Some(Mode::Tokens));
        }
    }
}
