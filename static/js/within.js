// Gives up what takes longer: an answer that was lost on the way would be waited for without end.
// `work` gets a signal for its fetch, and all that it awaits counts, reading the answer too.
export async function within(limit_ms, work) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), limit_ms);
  try {
    return await work(stop.signal);
  } finally {
    clearTimeout(timer);
  }
}
