/// The options of gathering on the command line; two commands have them.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "broadloom/gather.hpp"

namespace broadloom::cli {

struct GatherArguments {
    std::vector<std::string> inputs;
    std::string order, layout = "grid", prefer = "raw", sensor;
    int64_t rows = 0, columns = 0;
    int orientation = 0;
    double focal_35mm = 0;
    GatherOptions options;
    CLI::Option* rows_option = nullptr;
    CLI::Option* columns_option = nullptr;
    CLI::Option* orientation_option = nullptr;
    CLI::Option* focal_option = nullptr;
};

void add_gather_options(CLI::App& sub, GatherArguments& arguments);

/// The options as given; `out`, memory and threads are the command's own. Throws Error{usage}.
GatherOptions finish_gather_options(const GatherArguments& arguments);

}  // namespace broadloom::cli
