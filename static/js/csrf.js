// The token that shows that a form is ours, as the cookie has it now: whoever logged in again in another tab has a new
// one, while the page still holds the old one.

export function csrfToken() {
  return document.cookie.match(/(?:^|; )csrftoken=([^;]+)/)?.[1] ?? "";
}
