//! Places for work that takes a core: so much at once, and none of it goes on for nobody.

use std::sync::Arc;

use fitup_planner::{CancelFlag, Stop};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::error::Error;
use crate::floor_service::blocking;

/// So many places; who finds none waits for one.
#[derive(Debug, Clone)]
pub struct Places(Arc<Semaphore>);

/// A place that was taken.
#[derive(Debug)]
pub struct Place {
    _permit: OwnedSemaphorePermit,
}

/// Stops work when nobody waits for it any more.
struct Hangup(Arc<CancelFlag>);

impl Drop for Hangup {
    fn drop(&mut self) {
        self.0.cancel();
    }
}

impl Places {
    /// Returns so many places, at least one.
    pub fn new(count: usize) -> Places {
        Places(Arc::new(Semaphore::new(count.max(1))))
    }

    /// Waits for a place.
    ///
    /// # Errors
    /// If the server stops.
    pub async fn take(&self) -> Result<Place, Error> {
        let permit = Arc::clone(&self.0).acquire_owned().await.map_err(|_| Error::ShuttingDown)?;
        Ok(Place { _permit: permit })
    }
}

impl Place {
    /// Works on a thread of its own. The work is told to stop when its caller hangs up, and its place is free again when
    /// it has stopped, and no sooner: whoever asks and hangs up over and over gets no more cores than others.
    ///
    /// # Errors
    /// A bug if the work panics.
    pub async fn work<T: Send + 'static>(self, work: impl FnOnce(&dyn Stop) -> T + Send + 'static) -> Result<T, Error> {
        let cancel = Arc::new(CancelFlag::new());
        let _hangup = Hangup(Arc::clone(&cancel));
        blocking(move || {
            let done = work(&*cancel);
            drop(self);
            done
        })
        .await
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    /// Goal: work ends with its caller, and keeps its place until then. Method: work that goes on until it is stopped.
    #[tokio::test]
    async fn work_ends_when_its_caller_hangs_up() {
        let places = Places::new(1);
        let (begun, mut begins) = tokio::sync::mpsc::unbounded_channel();
        let endless = places.take().await.expect("a place").work(move |stop| {
            begun.send(()).expect("somebody listens");
            while !stop.should_stop() {
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        let calling = tokio::spawn(endless);
        begins.recv().await.expect("it begins");
        assert!(tokio::time::timeout(Duration::from_millis(20), places.take()).await.is_err(), "the place is taken");
        calling.abort();
        let next =
            tokio::time::timeout(Duration::from_secs(10), places.take()).await.expect("it ends").expect("a place");
        assert!(!next.work(|stop| stop.should_stop()).await.expect("no panic"));
    }
}
