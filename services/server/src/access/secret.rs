//! The secret of a token: 256 bits by chance, of which only the SHA-256 is kept.
//!
//! The digest is what a token is looked up by, so no secret is ever compared byte by byte; and since it cannot be
//! guessed, a plain digest does, without salt and repetition.

use std::fmt;

use fitup_store::Digest;
use sha2::{Digest as _, Sha256};

/// How every secret begins, so that it is found where it should not be.
const PREFIX: &str = "fitup_";
const BYTES: usize = 32;

/// A secret; nothing prints it by accident.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret([u8; BYTES]);

impl Secret {
    /// Draws a secret.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub fn draw() -> Result<Secret, getrandom::Error> {
        let mut bytes = [0; BYTES];
        getrandom::fill(&mut bytes)?;
        Ok(Secret(bytes))
    }

    /// Reads what a caller sent; `None` if no secret looks like that.
    pub fn parse(text: &str) -> Option<Secret> {
        let digits = text.strip_prefix(PREFIX).filter(|digits| digits.len() == 2 * BYTES)?;
        let mut bytes = [0; BYTES];
        for (byte, pair) in bytes.iter_mut().zip(digits.as_bytes().chunks_exact(2)) {
            *byte = (digit(pair[0])? << 4) | digit(pair[1])?;
        }
        Some(Secret(bytes))
    }

    /// Returns what the bearer sends.
    pub fn text(&self) -> String {
        self.0.iter().fold(PREFIX.to_owned(), |text, byte| format!("{text}{byte:02x}"))
    }

    /// Returns what is kept.
    pub fn digest(&self) -> Digest {
        Sha256::digest(self.0).into()
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(..)")
    }
}

fn digit(letter: u8) -> Option<u8> {
    match letter {
        b'0'..=b'9' => Some(letter - b'0'),
        b'a'..=b'f' => Some(letter - b'a' + 10),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_read_back_and_not_printed() {
        let (secret, other) = (Secret::draw().unwrap(), Secret::draw().unwrap());
        assert_ne!(secret, other);
        assert_eq!(Secret::parse(&secret.text()), Some(secret.clone()));
        assert_eq!(secret.text().len(), 70);
        assert_eq!(format!("{secret:?}"), "Secret(..)");
        assert_ne!(secret.digest(), other.digest());
    }

    /// SHA-256 of 32 zero bytes; from memory, and recomputed with sha256sum.
    #[test]
    fn the_digest_is_sha_256() {
        let text = format!("fitup_{}", "0".repeat(64));
        let digest = Secret::parse(&text).unwrap().digest();
        let hex: String = digest.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(hex, "66687aadf862bd776c8fc18b8e9f8e20089714856ee233b3902a591d0d5f2925");
    }

    #[test]
    fn what_is_no_secret_is_told_apart() {
        let good = format!("fitup_{}", "0af".repeat(22).get(..64).unwrap());
        assert!(Secret::parse(&good).is_some());
        for odd in
            ["", "fitup_", &good[1..], &good[..69], &format!("{good}0"), &good.to_uppercase(), &good.replace('a', "ä")]
        {
            assert_eq!(Secret::parse(odd), None, "{odd}");
        }
    }
}
