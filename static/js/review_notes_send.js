// What the notes and the tutor's word send: JSON there and back, with one sentence where it fails.

import { csrfToken } from "./csrf.js";

// Resolves to what the studio answered, or to {error: a sentence for people}.
export async function sendJson(url, method, body) {
  let answer;
  try {
    answer = await fetch(url, {
      method,
      headers: { "Content-Type": "application/json", "X-CSRFToken": csrfToken(), Accept: "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    return { error: "No connection at the moment. What you wrote is kept on this device; try again in a while." };
  }
  if (answer.redirected) return { error: "You have been logged out. Log in again; what you wrote is kept on this device." };
  try {
    const told = await answer.json();
    return answer.ok ? told : { error: told.error ?? "That could not be kept. Load the page again and try once more." };
  } catch {
    return { error: "That could not be kept. Load the page again and try once more." };
  }
}
