/* Functions of the shell that run in the browser. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
    shell: {
        // A new page: its heading becomes the title, and the reading position moves to the top.
        arrived: function (children, pathname) {
            const main = document.getElementById("content");
            if (main && main.dataset.path !== undefined && main.dataset.path !== pathname) {
                window.scrollTo(0, 0);
            }
            return pathname;
        },
    },
});
