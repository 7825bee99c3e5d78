/// The invented harbour town: puts its things into a model.
#pragma once

#include "support/world_model.hpp"

namespace broadloom::test {

void add_town(Model& model);        ///< houses, church and trees on the far shore
void add_tall_ship(Model& model);   ///< the three-master before the near quay
void add_boats(Model& model);       ///< small boats at their moorings
void add_ropeworks(Model& model);   ///< brick warehouse on a pier, on the right
void add_lighthouse(Model& model);  ///< and the breakwater that leads to it
void add_promenade(Model& model);   ///< railing, lamps, stalls and trees on the near quay

/// A removal firm's lorry with its wheels on the place, driving to the right. It only passes by, so
/// the town is usually without it.
void add_lorry(Model& model, const Place& place);

}  // namespace broadloom::test
