/* Passkeys (WebAuthn Level 2): signing in with one, and adding one. Without this script, or in a browser that has no
   passkeys, the buttons stay hidden and the password is used. */
"use strict";
(() => {
  if (!window.PublicKeyCredential || !window.isSecureContext) return;

  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const text = (data) =>
    btoa(String.fromCharCode(...new Uint8Array(data))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

  const post = async (path, body) => {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", Accept: "application/json" },
      body: JSON.stringify(body),
    });
    const found = await answer.json();
    if (!answer.ok) throw new Error(found.detail);
    return found;
  };

  const listed = (some) => (some || []).map((each) => ({ ...each, id: bytes(each.id) }));

  const signIn = async (at) => {
    const options = await post(`${at}/options`, {});
    const made = await navigator.credentials.get({
      publicKey: { ...options, challenge: bytes(options.challenge), allowCredentials: listed(options.allowCredentials) },
    });
    const { clientDataJSON, authenticatorData, signature, userHandle } = made.response;
    return {
      id: made.id, rawId: text(made.rawId), type: made.type, clientExtensionResults: {},
      response: {
        clientDataJSON: text(clientDataJSON), authenticatorData: text(authenticatorData), signature: text(signature),
        ...(userHandle ? { userHandle: text(userHandle) } : {}),
      },
    };
  };

  const create = async (at, word) => {
    const options = await post(`${at}/new`, { word });
    const made = await navigator.credentials.create({
      publicKey: {
        ...options,
        challenge: bytes(options.challenge),
        user: { ...options.user, id: bytes(options.user.id) },
        excludeCredentials: listed(options.excludeCredentials),
      },
    });
    const { clientDataJSON, attestationObject } = made.response;
    return {
      id: made.id, rawId: text(made.rawId), type: made.type, clientExtensionResults: {},
      response: { clientDataJSON: text(clientDataJSON), attestationObject: text(attestationObject) },
    };
  };

  for (const form of document.querySelectorAll("form[data-passkey]")) {
    form.hidden = false;
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const at = form.dataset.at;
      const said = form.querySelector(".wrong");
      said.textContent = "";
      try {
        const fields = Object.fromEntries(new FormData(form));
        const adding = form.dataset.passkey === "add";
        const passkey = adding ? await create(at, fields.word) : await signIn(at);
        const done = await post(`${at}/${adding ? "add" : "sign-in"}`, { ...fields, passkey });
        location.assign(done.to);
      } catch (error) {
        said.textContent = error.name === "NotAllowedError" || error.name === "InvalidStateError"
          ? "The browser did not use a passkey: it was cancelled, or there is none for this page."
          : error.message;
      }
    });
  }
})();
