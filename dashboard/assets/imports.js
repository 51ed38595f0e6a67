/* The import page in the browser: a chosen file goes to this server in slices, each a request of its own. */
(function () {
    const HEADERS = {"X-Auditor-Upload": "1"};
    let sending = false;

    function say(text, wrong) {
        const place = document.getElementById("upload-progress");
        if (place) {
            place.textContent = text;
            place.classList.toggle("upload-wrong", Boolean(wrong));
        }
    }

    async function ask(url, options) {
        const answer = await fetch(url, {method: "POST", credentials: "same-origin", ...options});
        if (!answer.ok) {
            throw new Error((await answer.text()).trim().slice(0, 400) || "The server did not take it.");
        }
        return answer.json();
    }

    async function send(file) {
        const begun = await ask("/upload", {
            headers: {...HEADERS, "Content-Type": "application/json"},
            body: JSON.stringify({name: file.name, size: file.size}),
        });
        let at = 0;
        for (;;) {
            const answer = await ask("/upload/" + begun.token + "?at=" + at, {
                headers: {...HEADERS, "Content-Type": "application/octet-stream"},
                body: file.slice(at, at + begun.slice),
            });
            at = answer.at;
            say("Taking in " + file.name + ": " + Math.floor((100 * at) / file.size) + " %");
            if (answer.upload) {
                return answer.upload;
            }
        }
    }

    async function take(file) {
        if (!file || sending) {
            return;
        }
        sending = true;
        say("Taking in " + file.name);
        try {
            const upload = await send(file);
            if (location.pathname === "/import") {
                history.pushState({}, "", "/import?upload=" + upload);
                window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
                window.dash_clientside.set_props("import-moved", {data: Date.now()});
            }
        } catch (error) {
            say(error.message, true);
        } finally {
            sending = false;
        }
    }

    // The field must stand in the page while its dialog is open: a loose one may be swept away with it.
    let field = null;
    function choose(accept, then) {
        if (field) {
            field.remove();
        }
        field = document.createElement("input");
        field.type = "file";
        field.accept = accept;
        field.hidden = true;
        field.addEventListener("change", (event) => then(event.target.files[0]));
        document.body.append(field);
        field.click();
    }

    async function readMapping(file) {
        if (file && file.size <= 200000) {
            window.dash_clientside.set_props({"import-field": "mapping"}, {value: await file.text()});
        }
    }

    document.addEventListener("click", function (event) {
        const pressed = event.target.closest && event.target.closest("#upload-choose, #mapping-choose");
        if (pressed && pressed.id === "upload-choose") {
            choose(".csv,.tsv,.txt,.xlsx,.xlsm,.json,.jsonl,.ndjson,.parquet", take);
        } else if (pressed) {
            choose(".toml,.txt", readMapping);
        }
    });

    function zone(event) {
        return event.target.closest && event.target.closest(".drop-zone");
    }
    for (const kind of ["dragenter", "dragover", "dragleave", "drop"]) {
        document.addEventListener(kind, function (event) {
            const over = zone(event);
            document.querySelectorAll(".drop-zone").forEach((place) => place.classList.toggle("drop-over", place === over && kind !== "drop" && kind !== "dragleave"));
            if (over && kind !== "dragleave") {
                event.preventDefault();
                if (kind === "drop") {
                    take(event.dataTransfer.files[0]);
                }
            }
        });
    }
})();
