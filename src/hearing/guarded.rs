//! Work of which a panic is an error.

use std::panic::{AssertUnwindSafe, catch_unwind};

/// Does the work; a panic in it is an error that tells what it said.
pub fn guarded<T>(work: impl FnOnce() -> Result<T, String>) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|panic| Err(format!("it panicked: {}", words(panic.as_ref()))))
}

fn words(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("it did not say why").into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_is_an_error_with_its_words() {
        let unlucky = 13;
        let error = guarded::<()>(|| panic!("unlucky {unlucky}")).unwrap_err();
        assert_eq!(error, "it panicked: unlucky 13");
        assert_eq!(guarded::<()>(|| Err("as it is".into())), Err("as it is".into()));
        assert_eq!(guarded(|| Ok(4)), Ok(4));
    }
}
