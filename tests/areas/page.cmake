broadloom_test(page_test unit/page_test.cpp LINK bl_io)
broadloom_test(seam_overlay_test unit/seam_overlay_test.cpp LINK bl_io nlohmann_json::nlohmann_json)

# The page in a real browser. Exit status 77: no node, npm or chromium, or no network to fetch the
# browser's driver from.
add_executable(make_page support/make_page.cpp)
target_link_libraries(make_page PRIVATE bl_io)
add_test(NAME page_browser_test
  COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/browser/run.sh $<TARGET_FILE:make_page>
    ${CMAKE_CURRENT_BINARY_DIR}/browser)
set_tests_properties(page_browser_test PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 300)

# The seam view, in the same way.
add_executable(make_seam_page support/make_seam_page.cpp)
target_link_libraries(make_seam_page PRIVATE bl_render)
add_test(NAME seam_page_browser_test
  COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/browser/run.sh $<TARGET_FILE:make_seam_page>
    ${CMAKE_CURRENT_BINARY_DIR}/browser_seams seams.mjs)
set_tests_properties(seam_page_browser_test PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 300)

# What the picture says about itself.
broadloom_test(xmp_packet_test unit/xmp_packet_test.cpp LINK bl_io pugixml::pugixml)
broadloom_test(metadata_test unit/metadata_test.cpp LINK bl_render)
