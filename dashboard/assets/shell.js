/* Functions of the shell that run in the browser. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
    shell: {
        // A new page: reading starts at its top; on a small screen the filters start folded.
        arrived: function (children, pathname) {
            const main = document.getElementById("content");
            if (main && main.dataset.path !== undefined && main.dataset.path !== pathname) {
                window.scrollTo(0, 0);
            }
            if (window.innerWidth < 900) {
                document.querySelectorAll("details.filters").forEach((form) => form.removeAttribute("open"));
            }
            return pathname;
        },
    },
});
