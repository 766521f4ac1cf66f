//! Text inside HTML.

/// `text` with nothing left in it that HTML would read as its own, in content and in quoted attributes.
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
