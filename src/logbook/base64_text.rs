//! Bytes as base64 in text formats (RFC 4648, section 4).

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Deserializer, Serializer};

pub(super) fn serialize<S: Serializer>(bytes: &Option<Vec<u8>>, serializer: S) -> Result<S::Ok, S::Error> {
    match bytes {
        Some(bytes) => serializer.serialize_some(&STANDARD.encode(bytes)),
        None => serializer.serialize_none(),
    }
}

pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Vec<u8>>, D::Error> {
    let text = Option::<String>::deserialize(deserializer)?;
    text.map(|text| STANDARD.decode(text).map_err(serde::de::Error::custom)).transpose()
}
