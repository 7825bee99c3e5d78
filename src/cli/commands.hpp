/// The program's commands; each adds itself to the command line and runs when it was named.
#pragma once

#include <CLI/CLI.hpp>
#include <atomic>

namespace broadloom::cli {

/// Set by SIGINT and SIGTERM to the signal's number.
extern std::atomic<int> stop_signal;

void add_gather(CLI::App& app);
void add_align(CLI::App& app);
void add_render(CLI::App& app);
void add_verify(CLI::App& app);
void add_weave(CLI::App& app);

}  // namespace broadloom::cli
