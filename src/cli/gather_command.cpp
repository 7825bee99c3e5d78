#include <algorithm>
#include <cstdlib>
#include <memory>

#include "base/text.hpp"
#include "cli/commands.hpp"
#include "cli/gather_options.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

void add_gather_options(CLI::App& sub, GatherArguments& a) {
    sub.add_option("FOLDER", a.inputs, "Folders of photographs, or single files")->required();
    a.rows_option = sub.add_option("--rows", a.rows, "Rows of the grid (found)");
    a.columns_option = sub.add_option("--columns", a.columns, "Columns of the grid (found)");
    sub.add_option("--order", a.order,
                   "How the grid was shot, like columns,down,right,one-way: columns|rows, down|up, "
                   "right|left, one-way|back-and-forth (found)");
    sub.add_option("--layout", a.layout, "grid, or loose: hand-held, no rows and columns (grid)");
    sub.add_flag("--allow-gaps", a.options.allow_gaps,
                 "Go on when cells of the grid have no frame");
    sub.add_flag("--strict", a.options.strict, "End with status 3 when a check finds something");
    sub.add_option("--prefer", a.prefer, "raw or jpeg, where an exposure is there as both (raw)");
    a.orientation_option = sub.add_option("--orientation", a.orientation,
                                          "EXIF orientation 1..8 of all frames (the majority's)");
    a.focal_option = sub.add_option("--focal-35mm", a.focal_35mm,
                                    "35-mm equivalent focal length, mm (from the frames)");
    sub.add_option("--sensor", a.sensor, "Sensor size in mm, like 36x24 (from the frames)");
}

GatherOptions finish_gather_options(const GatherArguments& a) {
    GatherOptions o = a.options;
    for (const std::string& input : a.inputs) o.inputs.emplace_back(input);
    if (a.rows_option->count() > 0) o.rows = a.rows;
    if (a.columns_option->count() > 0) o.columns = a.columns;
    if (a.orientation_option->count() > 0) o.orientation = a.orientation;
    if (a.focal_option->count() > 0) o.focal_35mm = a.focal_35mm;
    if (!a.order.empty()) {
        o.order = parse_shoot_order(a.order);
        if (!o.order) {
            throw Error(
                ErrorCode::usage,
                "--order: \"" + escaped(a.order) +
                    "\" is no order; give one of columns or rows, down or up, right or left, "
                    "one-way or back-and-forth, like columns,down,right,one-way");
        }
    }
    o.layout =
        choice<Layout>("--layout", a.layout, {{"grid", Layout::grid}, {"loose", Layout::loose}});
    o.prefer = choice<Prefer>("--prefer", a.prefer, {{"raw", Prefer::raw}, {"jpeg", Prefer::jpeg}});
    if (!a.sensor.empty()) {
        char* end = nullptr;
        const double first = std::strtod(a.sensor.c_str(), &end);
        const bool separated = *end == 'x' || *end == 'X';
        char* last = end;
        const double second = separated ? std::strtod(end + 1, &last) : 0;
        if (!separated || *last != 0 || !(first > 0) || !(second > 0)) {
            throw Error(ErrorCode::usage, "--sensor: \"" + escaped(a.sensor) +
                                              "\" is not a size; give one like 36x24, in mm");
        }
        o.sensor_mm = {std::max(first, second), std::min(first, second)};
    }
    return o;
}

void add_gather(CLI::App& app) {
    struct Arguments {
        GatherArguments gather;
        std::string out, memory;
        int threads = 0;
    };
    auto a = std::make_shared<Arguments>();
    CLI::App* sub = app.add_subcommand(
        "gather",
        "Checks the photographs of a folder and lays them out: a scene, a contact sheet.");
    add_gather_options(*sub, a->gather);
    sub->add_option("--out", a->out, "The scene file to write; contact.html comes beside it")
        ->required();
    sub->add_option("--memory", a->memory, "Memory limit like 512M or 2G (half of the machine's)");
    CLI::Option* threads = sub->add_option("--threads", a->threads, "Threads (all processors)");
    sub->footer("Example:\n  broadloom gather card --out scene.json");
    sub->callback([a, threads] {
        GatherOptions o = finish_gather_options(a->gather);
        o.out = a->out;
        o.memory_bytes = memory_option(a->memory);
        o.threads = threads_option(a->threads, threads->count() > 0);
        run_gather(o);
    });
}

}  // namespace broadloom::cli
