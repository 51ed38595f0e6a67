/* The portfolio page in the browser: how the table looks, and how it follows the address. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
    portfolio: {
        // The filters or the sort in the address changed: the table sorts likewise and fetches its rows anew.
        follow: function (shown) {
            const still = window.dash_clientside.no_update;
            const api = window.dash_ag_grid && shown && window.dash_ag_grid.getApi("systems");
            if (!api) {
                return still;
            }
            const held = api
                .getColumnState()
                .filter((column) => column.sort)
                .sort((a, b) => a.sortIndex - b.sortIndex)
                .map((column) => column.colId + column.sort)
                .join();
            if (held !== shown.sort.map((entry) => entry.colId + entry.sort).join()) {
                api.applyColumnState({
                    state: shown.sort.map((entry, index) => ({...entry, sortIndex: index})),
                    defaultState: {sort: null},
                });
            }
            if (window.portfolioFilters !== shown.filters) {
                window.portfolioFilters = shown.filters;
                // A request equal to the last one would not be sent: the last one is forgotten first.
                window.dash_clientside.set_props("systems", {getRowsRequest: null});
                setTimeout(() => api.purgeInfiniteCache(), 0);
            }
            return still;
        },
    },
});

var dagfuncs = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
var dagcomponents = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});

dagfuncs.portfolioTheme = function (theme) {
    return theme.withParams({
        accentColor: "var(--accent)",
        backgroundColor: "var(--ground)",
        foregroundColor: "var(--ink)",
        borderColor: "var(--rule)",
        headerBackgroundColor: "var(--panel)",
        headerTextColor: "var(--ink-2)",
        oddRowBackgroundColor: "var(--ground)",
        rowHoverColor: "var(--hover)",
        chromeBackgroundColor: "var(--panel)",
        fontFamily: "var(--font)",
        fontSize: 14,
        headerFontSize: 13,
        headerFontWeight: 600,
        borderRadius: 0,
        wrapperBorderRadius: 0,
        spacing: 6,
        browserColorScheme: "inherit",
    });
};

dagfuncs.portfolioTrips = function (params) {
    if (params.data === undefined) return "";
    if (params.value == null) return "–";
    return params.value < 0.1 ? "< 0.1" : params.value.toFixed(params.value < 10 ? 1 : 0);
};

dagfuncs.portfolioRise = function (params) {
    return params.value == null ? "–" : params.value.toFixed(2);
};

dagfuncs.portfolioOver = function (params) {
    return params.value == null ? "–" : (params.value > 0 ? "+" : "") + params.value;
};

dagfuncs.portfolioCount = function (params) {
    return params.value == null ? "" : params.value.toLocaleString("en");
};

dagcomponents.PortfolioVerdict = function (props) {
    if (!props.value) {
        return null;
    }
    const marks = {fail: "▲", unknown: "◇", pass: "●"};
    return React.createElement(
        "span",
        {className: "verdict verdict-" + (marks[props.value] ? props.value : "na"), title: why(props.data)},
        React.createElement("span", {className: "mark", "aria-hidden": true}, marks[props.value] || "–"),
        props.value
    );
};

function why(row) {
    const parts = [];
    if (row && row.failing) {
        parts.push("fails: " + row.failing);
    }
    if (row && row.waits_for) {
        parts.push("waits for: " + row.waits_for);
    }
    return parts.join("\n");
}

// A link that the page follows without loading anew.
dagcomponents.PortfolioLink = function (props) {
    if (!props.data) {
        return null;
    }
    const href = props.data.href;
    return React.createElement(
        "a",
        {
            href: href,
            className: "system-link",
            onClick: function (event) {
                if (event.metaKey || event.ctrlKey || event.shiftKey || event.button) {
                    return;
                }
                event.preventDefault();
                window.history.pushState({}, "", href);
                window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
            },
        },
        props.value
    );
};

// Enter on a cell of the table opens its system.
document.addEventListener("keydown", function (event) {
    const cell = event.key === "Enter" && event.target.closest && event.target.closest(".ag-row .ag-cell");
    const row = cell && cell.getAttribute("col-id") === "system_id" && cell.querySelector("a.system-link");
    if (row) {
        row.click();
    }
});
