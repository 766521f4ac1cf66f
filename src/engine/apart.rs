//! Work on a thread of its own, so that a panic there is an error here and the program goes on.

use super::EngineError;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};

/// A worker that answers one question after another.
pub struct Apart<Q, A> {
    questions: Sender<Q>,
    answers: Receiver<Result<A, String>>,
    name: &'static str,
}

impl<Q: Send + 'static, A: Send + 'static> Apart<Q, A> {
    /// Starts the thread. `build` makes the worker there, and another after a panic.
    pub fn start<W: FnMut(Q) -> A>(
        name: &'static str,
        build: impl FnMut() -> W + Send + 'static,
    ) -> Result<Self, EngineError> {
        let (questions, inbox) = channel();
        let (outbox, answers) = channel();
        std::thread::Builder::new()
            .name(name.into())
            .spawn(move || serve(build, &inbox, &outbox))
            .map_err(|e| EngineError::Stopped { name, why: e.to_string() })?;
        Ok(Apart { questions, answers, name })
    }

    /// Hands over a question and waits for its answer.
    pub fn ask(&self, question: Q) -> Result<A, EngineError> {
        let gone = |why: String| EngineError::Stopped { name: self.name, why };
        self.questions.send(question).map_err(|_| gone("its thread is gone".into()))?;
        self.answers.recv().map_err(|_| gone("its thread is gone".into()))?.map_err(gone)
    }
}

fn serve<Q, A, W: FnMut(Q) -> A>(
    mut build: impl FnMut() -> W,
    inbox: &Receiver<Q>,
    outbox: &Sender<Result<A, String>>,
) {
    let mut worker = None;
    while let Ok(question) = inbox.recv() {
        let answer = catch_unwind(AssertUnwindSafe(|| worker.get_or_insert_with(&mut build)(question)));
        if answer.is_err() {
            // It may have been left in any state.
            worker = None;
        }
        if outbox.send(answer.map_err(|panic| words(panic.as_ref()))).is_err() {
            return;
        }
    }
}

/// Does work of which a panic is an error.
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
    fn a_panic_is_an_error_and_the_next_question_has_a_new_worker() {
        let build = || {
            let mut asked = 0;
            move |question: u32| {
                asked += 1;
                assert_ne!(question, 13, "unlucky {question}");
                (question * 2, asked)
            }
        };
        let apart = Apart::start("test", build).unwrap();
        assert_eq!(apart.ask(4).unwrap(), (8, 1));
        assert_eq!(apart.ask(5).unwrap(), (10, 2));
        let error = apart.ask(13).unwrap_err().to_string();
        assert!(error.contains("unlucky 13") && error.contains("test"), "{error}");
        assert_eq!(apart.ask(6).unwrap(), (12, 1));
    }
}
