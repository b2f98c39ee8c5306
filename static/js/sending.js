// One form sent with its progress. XMLHttpRequest, because fetch tells nothing of how far an upload has come.

// Resolves to the answer's JSON; rejects with an Error whose message is a sentence for people, or whose name is AbortError.
export function send(address, form, { onProgress, signal }) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", address);
    request.responseType = "json";
    request.setRequestHeader("Accept", "application/json");
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable) onProgress(event.loaded / event.total);
    });
    request.addEventListener("load", () => {
      if (request.status === 201 && request.response?.address) resolve(request.response);
      else reject(new Error(sentence(request)));
    });
    request.addEventListener("error", () => reject(new Error(
      "The connection broke off. Your take is still here: check the connection and send it again.")));
    request.addEventListener("abort", () => reject(new DOMException("stopped", "AbortError")));
    signal.addEventListener("abort", () => request.abort());
    request.send(form);
  });
}

// What stands between us and the studio, and the studio's page for old forms, say less than this page can.
function sentence(request) {
  if (request.status === 413) return "This file is larger than 200 MB. Send a shorter recording, or one saved as m4a, mp3 or FLAC.";
  if (request.status === 403 || request.responseURL.includes("/log-in")) return "You have been logged out. Log in in another tab, come back here and send it again.";
  return request.response?.error ?? "The server could not take it. Your take is still here: wait a minute and send it again.";
}
