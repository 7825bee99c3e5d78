#include "io/page.hpp"

#include <algorithm>
#include <string_view>

#include "broadloom/error.hpp"
#include "broadloom/pyramid.hpp"
#include "io/web_text.hpp"
#include "viewer/page_template.hpp"

namespace broadloom {

namespace {

void require(bool good, const char* what) {
    if (!good) {
        throw Error(ErrorCode::internal,
                    std::string("page: ") + what + " cannot be shown; please report this");
    }
}

void check(const PageData& data) {
    require(data.width >= 1 && data.height >= 1, "a canvas without pixels");
    require(data.tile >= 1 && data.overlap >= 0, "a tile without pixels");
    require(data.surface == "sphere" || data.surface == "cylinder", "an unknown surface");
    require(data.pass == "full" || data.pass == "draft", "an unknown pass");
    require(data.pixels_per_degree > 0, "a canvas without a scale");
}

std::string title_or_default(const PageData& data) {
    return html_text(data.title.empty() ? "Untitled picture" : data.title);
}

std::string data_json(const PageData& data) {
    std::string json = "{";
    const auto add = [&json](std::string_view name, const std::string& value) {
        if (json.size() > 1) json += ',';
        json += json_string(name) + ':' + value;
    };
    add("title", json_string(data.title));
    add("credit", json_string(data.credit));
    add("rights", json_string(data.rights));
    add("description", json_string(data.description));
    add("taken", json_string(data.taken));
    add("place", json_string(data.place));
    add("width", std::to_string(data.width));
    add("height", std::to_string(data.height));
    add("tile", std::to_string(data.tile));
    add("overlap", std::to_string(data.overlap));
    add("surface", json_string(data.surface));
    add("left_deg", json_number(data.left_deg));
    add("right_deg", json_number(data.right_deg));
    add("top_deg", json_number(data.top_deg));
    add("bottom_deg", json_number(data.bottom_deg));
    add("pixels_per_degree", json_number(data.pixels_per_degree));
    add("wraps", data.wraps ? "true" : "false");
    add("tiles", json_string(url_path(data.tiles_folder)));
    add("folder", json_string(data.tiles_folder));
    add("pass", json_string(data.pass));
    add("seams", data.seams ? "true" : "false");
    return json + '}';
}

/// What shows where scripts are off: the largest level that is a single tile, and the caption.
std::string fallback(const PageData& data) {
    const PyramidShape shape{data.width, data.height, data.tile, data.overlap};
    int level = shape.levels() - 1;
    while (level > 0 && (shape.columns(level) > 1 || shape.rows(level) > 1)) --level;
    const std::string title = title_or_default(data);
    std::string html = "<figure class=\"plain\"><img src=\"" + url_path(data.tiles_folder) + '/' +
                       std::to_string(level) + "/0_0.jpg\" width=\"" +
                       std::to_string(shape.level_width(level)) + "\" height=\"" +
                       std::to_string(shape.level_height(level)) + "\" alt=\"" + title +
                       "\">\n<figcaption><strong dir=\"auto\">" + title + "</strong>";
    for (const std::string& line : {data.credit, data.rights}) {
        if (!line.empty()) html += "<span dir=\"auto\">" + html_text(line) + "</span>";
    }
    return html +
           "</figcaption><p>This is a small copy. Allow scripts for this page to move about in the "
           "whole picture.</p></figure>";
}

}  // namespace

std::string make_page(const PageData& data) {
    check(data);
    std::string page;
    // One pass, so that text set in is never taken for a place to fill.
    std::string_view rest = page_template();
    while (true) {
        const size_t start = rest.find("@@");
        page += rest.substr(0, start);
        if (start == std::string_view::npos) return page;
        const size_t end = rest.find("@@", start + 2);
        const std::string_view place =
            end == std::string_view::npos ? "" : rest.substr(start + 2, end - start - 2);
        if (place == "title") {
            page += title_or_default(data);
        } else if (place == "data") {
            page += data_json(data);
        } else if (place == "fallback") {
            page += fallback(data);
        } else {
            throw Error(ErrorCode::internal,
                        "page: the template has an unknown place; please report this");
        }
        rest.remove_prefix(end + 2);
    }
}

}  // namespace broadloom
