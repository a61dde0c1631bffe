//! What routes ask of others: ids out of addresses, forms out of bodies, the engine in a thread of its own.

use job::vault::JobId;

use crate::fault::Fault;

/// Runs what touches disks or waits, off the thread that serves.
///
/// # Errors
/// What `work` ends with. A panic in it becomes a fault of ours and takes no other page along.
pub(crate) async fn engine<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Fault> + Send + 'static,
) -> Result<T, Fault> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(_) => Err(Fault::Ours),
    }
}

/// A job's id out of an address.
///
/// # Errors
/// [`Fault::NotFound`] for what is none.
pub(crate) fn job_id(text: &str) -> Result<JobId, Fault> {
    JobId::new(text).map_err(|_| Fault::NotFound)
}
