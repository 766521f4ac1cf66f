//! Signatures of closed logs: Ed25519 (RFC 8032). Keys are files as OpenSSL writes them (PEM, PKCS #8 and SPKI, RFC 8410):
//!
//! ```text
//! openssl genpkey -algorithm ed25519 -out key.pem
//! openssl pkey -in key.pem -pubout -out public.pem
//! ```
//!
//! What is signed is the text `earmark-log ` and the SHA-256, in hex, of the close record's line up to `,"hash":"`, without
//! its member `signature`. That line holds the hash of the one before it, and so the whole log.

use crate::hex;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey};
use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};
use std::fmt;

/// Stands before what is signed, so that no signature is good for anything else.
const PREFIX: &str = "earmark-log ";

/// Why a text is no key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum KeyError {
    #[error("this is no Ed25519 private key in PEM: make one with `openssl genpkey -algorithm ed25519 -out PATH`")]
    Private,
    #[error(
        "this is no Ed25519 public key, in PEM or as 64 hex digits: make one with `openssl pkey -in KEY -pubout -out PATH`"
    )]
    Public,
}

/// A private key at work.
#[derive(Clone)]
pub struct Signer(SigningKey);

/// Nothing of the key may reach a message.
impl fmt::Debug for Signer {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "Signer({})", self.public())
    }
}

impl Signer {
    /// # Errors
    /// [`KeyError::Private`].
    pub fn from_pem(text: &str) -> Result<Signer, KeyError> {
        SigningKey::from_pkcs8_pem(text.trim()).map(Signer).map_err(|_| KeyError::Private)
    }

    /// The public key, 64 hex digits.
    pub fn public(&self) -> String {
        hex::encode(self.0.verifying_key().as_bytes())
    }

    /// The signature of a log whose close record has this hash, 128 hex digits.
    pub fn sign(&self, hash: &str) -> String {
        hex::encode(self.0.sign(format!("{PREFIX}{hash}").as_bytes()).to_bytes())
    }
}

/// Reads a public key, from hex digits, from its PEM, or from the PEM of its private key; gives it in hex.
///
/// # Errors
/// [`KeyError::Public`].
pub fn public_key(text: &str) -> Result<String, KeyError> {
    let text = text.trim();
    let bare = hex::decode::<32>(&text.to_ascii_lowercase()).and_then(|bytes| VerifyingKey::from_bytes(&bytes).ok());
    let key = bare.or_else(|| VerifyingKey::from_public_key_pem(text).ok());
    let key = key.or_else(|| Signer::from_pem(text).ok().map(|signer| signer.0.verifying_key()));
    key.map(|key| hex::encode(key.as_bytes())).ok_or(KeyError::Public)
}

/// Whether a signature is that of this key over a log whose close record has this hash; all in hex.
pub fn fits(public: &str, hash: &str, signature: &str) -> bool {
    let key = hex::decode(public).and_then(|bytes| VerifyingKey::from_bytes(&bytes).ok());
    let signature = hex::decode(signature).map(|bytes| Signature::from_bytes(&bytes));
    match (key, signature) {
        (Some(key), Some(signature)) => key.verify_strict(format!("{PREFIX}{hash}").as_bytes(), &signature).is_ok(),
        _ => false,
    }
}
